//! The disk of the store fills up and is emptied again: nothing is lost, frost holds at once, and the daemon says what it lacks.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

use thirst_tests::broker::Broker;

use crate::yard::{DECISION, Yard, rank, reasons};

const FAULT: &str = "thirst/v1/daemon/yard-1/alert/store_fault/store";

/// A small disk in memory, mounted for one test.
struct Disk {
    folder: TempDir,
}

impl Disk {
    /// None where this user may not mount.
    fn of_megabytes(megabytes: u32) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &format!("size={megabytes}m"), "thirstd-test"]).arg(folder.path());
        mount.output().is_ok_and(|done| done.status.success()).then_some(Self { folder })
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Takes all the room that is left.
    fn fill(&self) -> PathBuf {
        let path = self.path().join("ballast");
        let mut file = std::fs::File::create(&path).unwrap();
        while file.write_all(&[0; 4096]).is_ok() {}
        while file.write_all(&[0]).is_ok() {}
        path
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // Lazily: the daemon may still be ending.
        let _ = Command::new("umount").arg("-l").arg(self.path()).output();
    }
}

#[test]
fn s28_a_full_disk_loses_nothing_and_frost_holds_all_the_same() {
    let Some(disk) = Disk::of_megabytes(12) else {
        return println!("skipped: no right to mount a small disk");
    };
    let mut yard = Yard::open_with_store(Broker::plain(), &disk.path().join("thirstd.db"));
    yard.measure(4.4);
    yard.hand_over_rain(100);
    yard.assert_all_rain_counted();
    let before = rank(&yard.client.last_json(DECISION).unwrap());

    let ballast = disk.fill();
    yard.measure(2.4);
    let held = yard.client.wait_for_json(DECISION, "a freeze hold past the store", |decision| {
        reasons(decision).contains(&"freeze") && decision["durable"] == false
    });
    thirst_tests::schema::assert_valid(&held);
    assert!(rank(&held) > before);
    let fault = yard.client.wait_for_json(FAULT, "the fault", |alert| alert["state"] == "open");
    thirst_tests::schema::assert_valid(&fault);
    assert!(fault["text"].as_str().unwrap().contains("thirstd.db"), "{fault}");
    yard.hand_over_rain(60);
    assert!(yard.daemon.ended().is_none(), "{}", yard.daemon.log());

    std::fs::remove_file(ballast).unwrap();
    let kept = yard.client.wait_for_json(DECISION, "the hold in the store", |decision| {
        reasons(decision).contains(&"freeze") && decision["durable"] == true
    });
    assert!(rank(&kept) > rank(&held), "{held}\n{kept}");
    yard.client.wait_for_json(FAULT, "the end of the fault", |alert| alert["state"] == "closed");
    yard.assert_all_rain_counted();
    yard.client.wait_for("the cleared topic", |heard| heard.topic == FAULT && heard.payload.is_empty());
    let log = yard.daemon.log();
    assert!(log.contains("the store works again") && log.lines().count() < 60, "{log}");
}
