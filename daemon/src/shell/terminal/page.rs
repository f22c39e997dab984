//! A page of text for a terminal: wrapped to its width, with a column of labels, and color where that helps.

use std::io::{self, IsTerminal};

use textwrap::{Options, WordSplitter, core::display_width};

/// What we print on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Screen {
    /// Characters in a line, 40–120.
    pub width: usize,
    pub color: bool,
}

impl Screen {
    /// Standard output. Color only on a terminal, and not where `NO_COLOR` is set to anything.
    pub fn of_output() -> Self {
        let is_terminal = io::stdout().is_terminal();
        let width = terminal_size::terminal_size().filter(|_| is_terminal).map(|(width, _)| usize::from(width.0));
        let no_color = std::env::var_os("NO_COLOR").is_some_and(|text| !text.is_empty());
        Self { width: width.unwrap_or(ELSEWHERE).clamp(NARROWEST, WIDEST), color: is_terminal && !no_color }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Style {
    Plain,
    Strong,
    /// Somebody has to act now.
    Alarm,
    /// Somebody has to act.
    Caution,
    /// Water is held.
    Held,
    Quiet,
}

/// Lines in the making.
pub(super) struct Page {
    screen: Screen,
    text: String,
}

impl Page {
    pub(super) fn new(screen: Screen) -> Self {
        Self { screen, text: String::new() }
    }

    pub(super) fn blank(&mut self) {
        self.text.push('\n');
    }

    pub(super) fn line(&mut self, style: Style, text: &str) {
        for line in self.wrapped(text, self.screen.width) {
            self.paint(style, &line);
            self.blank();
        }
    }

    /// Two spaces, a label in a column of `column` characters, and text beside it. Only the label is painted.
    pub(super) fn row(&mut self, column: usize, style: Style, label: &str, text: &str) {
        let label = cleaned(label);
        let indent = column + 4;
        let is_long = display_width(&label) > column;
        self.text.push_str("  ");
        self.paint(style, &label);
        if is_long {
            self.blank();
        }
        let room = self.screen.width.saturating_sub(indent).max(NARROWEST / 2);
        for (index, line) in self.wrapped(text, room).into_iter().enumerate() {
            let taken = if index == 0 && !is_long { display_width(&label) + 2 } else { 0 };
            self.text.push_str(&" ".repeat(indent - taken));
            self.text.push_str(&line);
            self.blank();
        }
    }

    pub(super) fn finish(self) -> String {
        self.text
    }

    /// At least one line.
    fn wrapped(&self, text: &str, width: usize) -> Vec<String> {
        let options = Options::new(width).word_splitter(WordSplitter::NoHyphenation);
        let glued = glued(&cleaned(text));
        let lines = textwrap::wrap(&glued, options);
        lines.into_iter().map(|line| line.replace(NO_BREAK, " ")).collect()
    }

    fn paint(&mut self, style: Style, text: &str) {
        let code = match style {
            Style::Plain => "",
            Style::Strong => "1",
            Style::Alarm => "1;31",
            Style::Caution => "33",
            Style::Held => "36",
            Style::Quiet => "2",
        };
        if self.screen.color && !code.is_empty() && !text.is_empty() {
            self.text.push_str(&format!("\u{1b}[{code}m{text}\u{1b}[0m"));
        } else {
            self.text.push_str(text);
        }
    }
}

/// Nothing that a terminal would obey.
fn cleaned(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { ' ' } else { character }).collect()
}

/// A number stays with its unit.
fn glued(text: &str) -> String {
    let mut glued = String::with_capacity(text.len() + 16);
    let mut characters = text.chars().peekable();
    let mut before = ' ';
    while let Some(character) = characters.next() {
        let unit = characters.peek().is_some_and(|next| next.is_alphabetic() || "%°".contains(*next));
        let joins = character == ' ' && before.is_ascii_digit() && unit;
        glued.push(if joins { NO_BREAK } else { character });
        before = character;
    }
    glued
}

const NO_BREAK: char = '\u{a0}';

/// Our choice: what a mail or a file can hold.
const ELSEWHERE: usize = 100;
const NARROWEST: usize = 40;
const WIDEST: usize = 120;

#[cfg(test)]
mod tests {
    use super::*;

    fn page(width: usize, color: bool, fill: impl FnOnce(&mut Page)) -> String {
        let mut page = Page::new(Screen { width, color });
        fill(&mut page);
        page.finish()
    }

    #[test]
    fn text_wraps_beside_its_label_and_numbers_stay_with_their_unit() {
        let text = "Rain: 14.2 mm fell in the last rain; it ends at 5.0 °C.";
        assert_eq!(
            page(40, false, |page| page.row(8, Style::Held, "lawn", text)),
            "  lawn      Rain: 14.2 mm fell in the\n            last rain; it ends at\n            5.0 °C.\n"
        );
        assert_eq!(page(40, false, |page| page.row(3, Style::Plain, "longer", "text")), "  longer\n       text\n");
    }

    #[test]
    fn only_a_terminal_gets_color_and_nothing_from_outside_is_obeyed() {
        let fill = |page: &mut Page| page.row(4, Style::Alarm, "now", "a\u{1b}[2Jb");
        assert_eq!(page(80, true, fill), "  \u{1b}[1;31mnow\u{1b}[0m   a [2Jb\n");
        assert_eq!(page(80, false, fill), "  now   a [2Jb\n");
    }
}
