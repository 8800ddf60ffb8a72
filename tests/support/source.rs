//! Rust source as a checker sees it: words of code with their lines, and the
//! text of strings; comments and test modules left out.

/// A word (identifier, keyword, number) or a single mark of code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Token {
    pub(crate) line: usize,
    pub(crate) text: String,
}

/// One source file, cut up.
#[derive(Default)]
pub(crate) struct Source {
    pub(crate) code: Vec<Token>,
    pub(crate) strings: Vec<Token>,
}

impl Source {
    /// Cuts up `text` and leaves out `#[cfg(test)] mod name { ... }`.
    pub(crate) fn of(text: &str) -> Self {
        let mut all = cut(text);
        let hidden = test_modules(&all.code);
        let outside = |token: &Token| !hidden.iter().any(|lines| lines.contains(&token.line));
        all.code.retain(outside);
        all.strings.retain(outside);
        all
    }
}

fn cut(text: &str) -> Source {
    let chars: Vec<char> = text.chars().collect();
    let mut out = Source::default();
    let mut line = 1;
    let mut i = 0;
    while let Some(&c) = chars.get(i) {
        let from = i;
        let next = chars.get(i + 1).copied();
        if c == '/' && next == Some('/') {
            i = end_of_line(&chars, i);
        } else if c == '/' && next == Some('*') {
            i = end_of_block(&chars, i);
        } else if let Some(end) = end_of_string(&chars, i) {
            out.strings.push(Token { line, text: chars[i..end].iter().collect() });
            i = end;
        } else if let Some(end) = end_of_char(&chars, i) {
            i = end;
        } else if c.is_alphanumeric() || c == '_' {
            while chars.get(i).is_some_and(|c| c.is_alphanumeric() || *c == '_') {
                i += 1;
            }
            out.code.push(Token { line, text: chars[from..i].iter().collect() });
        } else {
            if !c.is_whitespace() {
                out.code.push(Token { line, text: c.to_string() });
            }
            i += 1;
        }
        line += chars[from..i].iter().filter(|c| **c == '\n').count();
    }
    out
}

fn end_of_line(chars: &[char], from: usize) -> usize {
    chars[from..].iter().position(|c| *c == '\n').map_or(chars.len(), |length| from + length)
}

/// Block comments nest.
fn end_of_block(chars: &[char], from: usize) -> usize {
    let mut depth = 0;
    let mut i = from;
    while i < chars.len() {
        match chars[i..] {
            ['/', '*', ..] => (depth, i) = (depth + 1, i + 2),
            ['*', '/', ..] => (depth, i) = (depth - 1, i + 2),
            _ => i += 1,
        }
        if depth == 0 {
            return i;
        }
    }
    chars.len()
}

/// The end of a string literal that starts here: plain, raw, byte or C.
fn end_of_string(chars: &[char], from: usize) -> Option<usize> {
    let word = |c: &char| c.is_alphanumeric() || *c == '_';
    if from > 0 && word(&chars[from - 1]) {
        return None;
    }
    let mut i = from;
    let mut raw = false;
    while let Some(prefix @ ('b' | 'c' | 'r')) = chars.get(i).copied() {
        raw |= prefix == 'r';
        i += 1;
        if i - from > 2 {
            return None;
        }
    }
    let hashes = chars[i..].iter().take_while(|c| **c == '#').count();
    i += hashes;
    if chars.get(i) != Some(&'"') || (hashes > 0 && !raw) {
        return None;
    }
    i += 1;
    while let Some(&c) = chars.get(i) {
        i += 1;
        if c == '\\' && !raw {
            i += 1;
        } else if c == '"' && chars[i..].iter().take(hashes).filter(|c| **c == '#').count() == hashes {
            return Some((i + hashes).min(chars.len()));
        }
    }
    Some(chars.len())
}

/// The end of a character literal that starts here; a lifetime is none.
fn end_of_char(chars: &[char], from: usize) -> Option<usize> {
    match chars[from..] {
        ['\'', '\\', _, ..] => {
            let end = chars[from + 3..].iter().position(|c| *c == '\'')?;
            Some(from + 3 + end + 1)
        }
        ['\'', _, '\'', ..] => Some(from + 3),
        _ => None,
    }
}

/// The lines of each `#[cfg(test)] mod name { ... }`.
fn test_modules(code: &[Token]) -> Vec<std::ops::RangeInclusive<usize>> {
    const HEAD: [&str; 8] = ["#", "[", "cfg", "(", "test", ")", "]", "mod"];
    let mut found = Vec::new();
    for start in 0..code.len() {
        let is = |offset: usize, text: &str| code.get(start + offset).is_some_and(|t| t.text == text);
        if !(HEAD.iter().enumerate().all(|(offset, text)| is(offset, text)) && is(HEAD.len() + 1, "{")) {
            continue;
        }
        let mut depth = 0;
        for token in &code[start + HEAD.len() + 1..] {
            match token.text.as_str() {
                "{" => depth += 1,
                "}" => depth -= 1,
                _ => {}
            }
            if depth == 0 {
                found.push(code[start].line..=token.line);
                break;
            }
        }
    }
    found
}
