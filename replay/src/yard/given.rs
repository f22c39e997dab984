//! Normals from a file: the table that `thirstd normals` writes, or one by hand.

use std::fmt::Write;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use thirstd::config;

use super::weather::{Normals, Spot};

/// The numbers of the table, and its text as it goes into the configuration of a yard.
///
/// # Errors
/// The file cannot be read, has more than 64 KiB, or the daemon would refuse it; with what to write.
pub fn read(path: &Path, spot: Spot) -> Result<(Normals, String), String> {
    let shown = path.display();
    let unreadable = |why: String| format!("{shown}: cannot be read: {why}");
    let mut text = String::new();
    let opened = File::open(path).map_err(|fault| unreadable(fault.to_string()))?;
    opened.take(LONGEST + 1).read_to_string(&mut text).map_err(|fault| unreadable(fault.to_string()))?;
    if text.len() as u64 > LONGEST {
        return Err(unreadable("it has more than 64 KiB: write the table of one place".to_owned()));
    }
    let block = block(&text).ok_or(format!("{shown}: no table of normals: write [sites.normals] above its keys"))?;
    let normals = parse(&block, spot).map_err(|faults| format!("{shown}: {faults}"))?;
    Ok((normals, block))
}

/// The text with its table under the site. None where there is no such table, or another one.
fn block(text: &str) -> Option<String> {
    let mut block = String::new();
    let mut headers = 0;
    for line in text.lines() {
        let plain = line.trim();
        if plain == "[normals]" || plain == "[sites.normals]" {
            headers += 1;
            // Writing to a `String` cannot fail.
            let _ = writeln!(block, "[sites.normals]");
        } else if plain.starts_with('[') {
            return None;
        } else {
            let _ = writeln!(block, "{line}");
        }
    }
    (headers == 1).then_some(block)
}

/// As the daemon reads it.
fn parse(block: &str, spot: Spot) -> Result<Normals, String> {
    let site = format!(
        "[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}/state\"\nformat = \"json\"\n\
         fields.\"/temp_c\" = {{ quantity = \"air_temperature\", unit = \"Cel\" }}\n\
         [[sites]]\nid = \"yard\"\nlatitude = {}\nlongitude = {}\nzone = \"Etc/UTC\"\n\
         [[sites.sensors]]\nid = \"mast\"\n[[sites.groups]]\nid = \"lawn\"\nkind = \"spray\"\n\
         [[sites.controllers]]\nid = \"valves\"\ncapability = \"percent\"\n{block}",
        spot.latitude_degrees, spot.longitude_degrees
    );
    let loaded = config::load_text("the normals", &site, std::iter::empty()).map_err(|faults| faults.to_string())?;
    let site = loaded.settings.sites.first().ok_or("no site was read")?;
    let read = site.normals.as_ref().ok_or("no normals were read")?;
    let factor = read.hargreaves_factor.map_or([1.0; 12], |months| months.map(f64::from));
    Ok(Normals {
        eto_mm: std::array::from_fn(|month| read.eto_of_month_mm(month)),
        rain_mm: read.rain_mm.map_or([0.0; 12], |sums| std::array::from_fn(|month| sums[month] / 30.44)),
        factor,
        annual_factor: factor.iter().sum::<f64>() / 12.0,
    })
}

/// Much more than the table that the daemon writes.
const LONGEST: u64 = 64 << 10;

#[cfg(test)]
mod tests {
    use super::*;

    const SPOT: Spot =
        Spot { latitude_degrees: 40.0, longitude_degrees: -105.0, elevation_m: 1600.0, wind_height_m: 2.0 };

    #[test]
    fn a_table_of_normals_is_read_as_the_daemon_reads_it() {
        let text = "# by hand\n[normals]\neto_mm = [31, 28.25, 62, 90, 124, 150, 155, 124, 90, 62, 30, 31]\n";
        let normals = parse(&block(text).unwrap(), SPOT).unwrap();
        assert_eq!(normals.peak(), (5, 5.0));
        assert_eq!((normals.eto_mm[0], normals.factor[3], normals.rain_mm[7]), (1.0, 1.0, 0.0));
    }

    #[test]
    fn what_is_no_table_of_normals_is_refused() {
        let check = |text: &str| assert_eq!(block(text), None, "{text}");
        check("eto_mm = [1]");
        check("[normals]\n[normals]\n");
        check("[normals]\n[[sites]]\n");
        assert!(parse(&block("[normals]\neto_mm = [1, 2]\n").unwrap(), SPOT).is_err());
    }
}
