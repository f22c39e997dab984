//! Shell completions and man pages, made from the arguments themselves.

use std::io;
use std::path::Path;

use clap::Command;
use clap_complete::Shell;

/// The completions of `command` for `shell`.
pub fn completions(command: &Command, shell: Shell) -> String {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut shown(command), NAME, &mut script);
    let text = String::from_utf8_lossy(&script);
    text.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}

/// Writes a page for the program and one for each of its tasks into `folder`.
///
/// # Errors
/// The folder or a page cannot be written.
pub fn pages(command: &Command, folder: &Path) -> io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(shown(command), folder)
}

/// The same command without the tasks that are not for every day.
fn shown(command: &Command) -> Command {
    let tasks = command.get_subcommands().filter(|task| !task.is_hide_set()).cloned();
    let version = env!("CARGO_PKG_VERSION");
    let mut shown = Command::new(NAME).version(version).disable_help_subcommand(true).subcommands(tasks);
    if let Some(about) = command.get_about() {
        shown = shown.about(about.clone());
    }
    if let Some(about) = command.get_long_about() {
        shown = shown.long_about(about.clone());
    }
    shown
}

const NAME: &str = "thirstd";

// The files in deploy are those of a program with everything in it.
#[cfg(feature = "demo")]
#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::fs;
    use std::path::PathBuf;

    use super::super::command;
    use super::*;

    fn deploy(folder: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy").join(folder)
    }

    fn texts(folder: &Path) -> BTreeMap<String, String> {
        let files = fs::read_dir(folder).unwrap().map(|file| file.unwrap().path());
        files
            .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read_to_string(path).unwrap()))
            .collect()
    }

    #[test]
    fn the_pages_in_deploy_are_those_of_these_arguments() {
        let made = tempfile::TempDir::new().unwrap();
        pages(&command(), made.path()).unwrap();
        let (made, kept) = (texts(made.path()), texts(&deploy("man")));
        assert!(made == kept, "write them anew: cargo run -p thirstd -- man deploy/man");
        assert!(made.contains_key("thirstd-why.1"), "{:?}", made.keys());
    }

    #[test]
    fn the_completions_in_deploy_are_those_of_these_arguments() {
        for (shell, file) in [(Shell::Bash, "thirstd.bash"), (Shell::Zsh, "_thirstd"), (Shell::Fish, "thirstd.fish")] {
            let kept = fs::read_to_string(deploy("completions").join(file)).unwrap_or_default();
            let made = completions(&command(), shell);
            assert!(
                made == kept,
                "write it anew: cargo run -p thirstd -- completions {shell} > deploy/completions/{file}"
            );
            assert!(made.contains("why") && !made.contains("man pages into"));
        }
    }
}
