//! As much Rust as the house rules need: code without comments and texts, its words, and the paths that it names.

/// Blanks out comments, texts and characters, and keeps every line end, so that what is left is code on its own line.
pub fn code_of(source: &str) -> String {
    let chars: Vec<char> = source.chars().collect();
    let mut code = String::with_capacity(source.len());
    let at = |index: usize| chars.get(index).copied().unwrap_or('\0');
    let mut i = 0;
    while i < chars.len() {
        let end = match at(i) {
            '/' if at(i + 1) == '/' => line_end(&chars, i),
            '/' if at(i + 1) == '*' => block_end(&chars, i),
            'r' if !word_before(&chars, i) && raw_hashes(&chars, i + 1).is_some() => raw_end(&chars, i + 1),
            '"' => text_end(&chars, i),
            '\'' if at(i + 1) == '\\' => {
                (i + 2..chars.len()).find(|&n| at(n) == '\'' && n > i + 2).map_or(chars.len(), |n| n + 1)
            }
            '\'' if at(i + 2) == '\'' => i + 3,
            c => {
                code.push(c);
                i += 1;
                continue;
            }
        };
        code.extend(chars[i..end].iter().map(|&c| if c == '\n' { '\n' } else { ' ' }));
        i = end;
    }
    code
}

/// Words and marks of `code`, each with its line from 1; `::` is one mark.
pub fn tokens(code: &str) -> Vec<(usize, String)> {
    let mut tokens = Vec::new();
    for (number, line) in code.lines().enumerate() {
        let mut rest = line;
        while let Some(first) = rest.chars().next() {
            let length = if is_word(first) {
                rest.find(|c| !is_word(c)).unwrap_or(rest.len())
            } else if rest.starts_with("::") {
                2
            } else {
                first.len_utf8()
            };
            let (token, after) = rest.split_at(length);
            if !first.is_whitespace() {
                tokens.push((number + 1, token.to_owned()));
            }
            rest = after;
        }
    }
    tokens
}

/// Every path of two words or more in `source`, with its line. Paths are written out: braces unfolded, `self` and `super`
/// resolved, a crate's own paths begin with `crate`. `module` is where the file stands, for example `engine::site::rain`.
pub fn paths(source: &str, module: &str) -> Vec<(usize, String)> {
    let tokens = tokens(&code_of(source));
    let word = |index: usize| tokens.get(index).map_or("", |(_, token)| token.as_str());
    let home: Vec<String> = module.split("::").filter(|level| !level.is_empty()).map(str::to_owned).collect();
    let mut found = Vec::new();
    // Modules written inside the file, with the depth of braces at which each began.
    let mut inner: Vec<(usize, String)> = Vec::new();
    let mut depth = 0_usize;
    let mut i = 0;
    while i < tokens.len() {
        match word(i) {
            "mod" if word(i + 2) == "{" => {
                inner.push((depth, word(i + 1).to_owned()));
                depth += 1;
                i += 3;
                continue;
            }
            "{" => depth += 1,
            "}" => {
                depth = depth.saturating_sub(1);
                inner.retain(|(began, _)| *began < depth);
            }
            first
                if first.chars().next().is_some_and(is_word)
                    && word(i + 1) == "::"
                    && word(i.wrapping_sub(1)) != "::" =>
            {
                let here: Vec<String> =
                    home.iter().cloned().chain(inner.iter().map(|(_, name)| name.clone())).collect();
                let mut unfolded = Vec::new();
                i = unfold(&tokens, i, &mut Vec::new(), &mut unfolded);
                found.extend(unfolded.into_iter().map(|(line, path)| (line, resolved(&path, &here))));
                continue;
            }
            _ => {}
        }
        i += 1;
    }
    found
}

/// Reads the path or the tree of paths at token `i`; gives the index behind it.
fn unfold(
    tokens: &[(usize, String)],
    mut i: usize,
    before: &mut Vec<String>,
    found: &mut Vec<(usize, Vec<String>)>,
) -> usize {
    let word = |index: usize| tokens.get(index).map_or("", |(_, token)| token.as_str());
    let kept = before.len();
    while let Some((line, token)) = tokens.get(i) {
        if token == "{" {
            i += 1;
            while i < tokens.len() && word(i) != "}" {
                let next = if word(i) == "," { i + 1 } else { unfold(tokens, i, before, found) };
                i = next.max(i + 1);
            }
            before.truncate(kept);
            return i + 1;
        }
        if token == "*" || token.chars().next().is_some_and(is_word) {
            before.push(token.clone());
            if word(i + 1) == "::"
                && (word(i + 2) == "{" || word(i + 2) == "*" || word(i + 2).chars().next().is_some_and(is_word))
            {
                i += 2;
                continue;
            }
            found.push((*line, before.clone()));
            i += 1;
            // A tree can rename: `as` and the new name belong to it.
            if word(i) == "as" {
                i += 2;
            }
        }
        break;
    }
    before.truncate(kept);
    i
}

fn resolved(path: &[String], here: &[String]) -> String {
    let mut base: Vec<String> = here.to_vec();
    let mut rest = path;
    let mut own = false;
    while let Some(first) = rest.first() {
        match first.as_str() {
            "crate" if !own => base.clear(),
            "self" => {}
            "super" => drop(base.pop()),
            _ => break,
        }
        own = true;
        rest = &rest[1..];
    }
    if !own {
        return path.join("::");
    }
    let mut whole = vec!["crate".to_owned()];
    whole.extend(base);
    whole.extend(rest.iter().cloned());
    whole.join("::")
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// True where a word ends right before `i`, so that the r there is no beginning of a raw text. The b of br"" is part of it.
fn word_before(chars: &[char], i: usize) -> bool {
    match i.checked_sub(1) {
        Some(n) if chars[n] == 'b' => word_before(chars, n),
        Some(n) => is_word(chars[n]),
        None => false,
    }
}

fn line_end(chars: &[char], from: usize) -> usize {
    (from..chars.len()).find(|&n| chars[n] == '\n').unwrap_or(chars.len())
}

fn block_end(chars: &[char], from: usize) -> usize {
    let mut depth = 0_usize;
    let mut i = from;
    while i + 1 < chars.len() {
        match (chars[i], chars[i + 1]) {
            ('/', '*') => {
                depth += 1;
                i += 2;
            }
            ('*', '/') => {
                depth -= 1;
                i += 2;
                if depth == 0 {
                    return i;
                }
            }
            _ => i += 1,
        }
    }
    chars.len()
}

fn text_end(chars: &[char], from: usize) -> usize {
    let mut i = from + 1;
    while i < chars.len() {
        match chars[i] {
            '\\' => i += 2,
            '"' => return i + 1,
            _ => i += 1,
        }
    }
    chars.len()
}

/// The number of `#` between `r` and the opening quote, where this is a raw text.
fn raw_hashes(chars: &[char], from: usize) -> Option<usize> {
    let hashes = chars[from.min(chars.len())..].iter().take_while(|&&c| c == '#').count();
    (chars.get(from + hashes) == Some(&'"')).then_some(hashes)
}

fn raw_end(chars: &[char], from: usize) -> usize {
    let hashes = raw_hashes(chars, from).unwrap_or(0);
    let begin = from + hashes + 1;
    let closes =
        |n: usize| chars[n] == '"' && chars[n + 1..].iter().take(hashes).filter(|&&c| c == '#').count() == hashes;
    (begin..chars.len()).find(|&n| closes(n)).map_or(chars.len(), |n| n + 1 + hashes)
}
