//! JSON Pointer, RFC 6901: the way to one place in a JSON text.

use std::fmt;

/// A checked JSON Pointer. Empty: the whole text.
#[derive(Clone, PartialEq, Eq)]
pub struct JsonPointer {
    written: Box<str>,
    tokens: Box<[Token]>,
}

/// One step of the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Token {
    /// The member's name, escapes undone.
    pub(super) name: Box<str>,
    /// The same as an element's place, where it can be one: digits without a
    /// leading zero (RFC 6901 section 4).
    pub(super) index: Option<usize>,
}

/// Why a text is not a JSON Pointer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PointerError {
    #[error("a JSON Pointer is empty or starts with '/'")]
    NoSlash,
    #[error("in a JSON Pointer '~' is followed by 0 (for '~') or 1 (for '/')")]
    BadEscape,
}

impl JsonPointer {
    /// Reads a pointer such as `/soil/raw`.
    ///
    /// # Errors
    ///
    /// When it neither is empty nor starts with `/`, or holds a `~` that is not
    /// followed by `0` or `1`.
    pub fn parse(text: &str) -> Result<Self, PointerError> {
        let tokens = match text.strip_prefix('/') {
            Some(rest) => rest.split('/').map(token).collect::<Result<_, _>>()?,
            None if text.is_empty() => Box::default(),
            None => return Err(PointerError::NoSlash),
        };
        Ok(Self { written: text.into(), tokens })
    }

    /// The pointer as it was written.
    pub fn as_str(&self) -> &str {
        &self.written
    }

    pub(super) fn tokens(&self) -> &[Token] {
        &self.tokens
    }
}

impl fmt::Display for JsonPointer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

impl fmt::Debug for JsonPointer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &*self.written)
    }
}

fn token(escaped: &str) -> Result<Token, PointerError> {
    let mut name = String::with_capacity(escaped.len());
    let mut letters = escaped.chars();
    while let Some(letter) = letters.next() {
        name.push(match letter {
            '~' => match letters.next() {
                Some('0') => '~',
                Some('1') => '/',
                _ => return Err(PointerError::BadEscape),
            },
            other => other,
        });
    }
    let digits = !name.is_empty() && name.bytes().all(|b| b.is_ascii_digit());
    let index = if digits && (name == "0" || !name.starts_with('0')) { name.parse().ok() } else { None };
    Ok(Token { name: name.into(), index })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_names_and_places() {
        let pointer = JsonPointer::parse("/soil/0/a~1b~01/007").unwrap();
        let steps: Vec<_> = pointer.tokens().iter().map(|t| (&*t.name, t.index)).collect();
        assert_eq!(steps, [("soil", None), ("0", Some(0)), ("a/b~1", None), ("007", None)]);
        assert_eq!(pointer.as_str(), "/soil/0/a~1b~01/007");
        assert!(JsonPointer::parse("").unwrap().tokens().is_empty());
    }

    #[test]
    fn what_is_no_pointer_is_refused() {
        assert_eq!(JsonPointer::parse("raw"), Err(PointerError::NoSlash));
        assert_eq!(JsonPointer::parse("#/raw"), Err(PointerError::NoSlash));
        for text in ["/~", "/a~2", "/a~", "/~/0"] {
            assert_eq!(JsonPointer::parse(text), Err(PointerError::BadEscape), "{text}");
        }
    }
}
