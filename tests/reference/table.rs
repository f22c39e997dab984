//! Tables of the references: a small CSV reader, and where the long weather series are found.

use std::{collections::HashMap, env, fs, path::PathBuf};

/// One row by column name.
pub type Row = HashMap<String, String>;

/// Rows of a CSV text with a header; fields may be quoted, quotes doubled (RFC 4180, no line breaks in fields).
pub fn rows(text: &str) -> Vec<Row> {
    let mut lines = text.lines().filter(|line| !line.trim().is_empty()).map(fields);
    let header = lines.next().expect("a table has a header");
    lines
        .map(|line| {
            assert_eq!(line.len(), header.len(), "{line:?}");
            header.iter().cloned().zip(line).collect()
        })
        .collect()
}

/// The field as a number; None where it is empty.
pub fn number(row: &Row, column: &str) -> Option<f64> {
    let text = row.get(column).unwrap_or_else(|| panic!("no column {column}"));
    (!text.is_empty()).then(|| text.parse().unwrap_or_else(|_| panic!("{column}: {text} is no number")))
}

/// Rows of a long series, from the folder `THIRST_DATA` or `shared/data` beside the workspace; None where it is absent.
pub fn weather(file: &str) -> Option<Vec<Row>> {
    let folder = env::var_os("THIRST_DATA")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    Some(rows(&fs::read_to_string(folder.join(file)).ok()?))
}

/// Mean and root mean square of differences.
pub fn mean_and_rmse(differences: &[f64]) -> (f64, f64) {
    let count = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / count;
    (mean, (differences.iter().map(|difference| difference * difference).sum::<f64>() / count).sqrt())
}

fn fields(line: &str) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        let field = fields.last_mut().expect("never empty");
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => {
                field.push('"');
                letters.next();
            }
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            _ => field.push(letter),
        }
    }
    fields
}

#[test]
fn quoted_fields_keep_their_commas_and_quotes() {
    let rows = rows("a,b\n\"x, \"\"y\"\"\",2.5\n\n");
    assert_eq!((rows[0]["a"].as_str(), number(&rows[0], "b")), ("x, \"y\"", Some(2.5)));
}
