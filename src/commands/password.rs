//! `trug password`: makes the line for the page's password file.

use std::io::{BufRead, IsTerminal, Write};

use anyhow::Context as _;

use super::exit::{Exit, WrongInput};
use crate::password::{PASSWORD_MAX, PASSWORD_MIN, PasswordHash};

/// Reads a password, from the terminal twice and without showing it, else the first
/// line of standard input, and writes its string to `out`.
///
/// # Errors
/// When it cannot be read or made, or [`WrongInput`].
pub fn run(out: &mut dyn Write) -> anyhow::Result<Exit> {
    let mut said = std::io::stderr();
    if !std::io::stdin().is_terminal() {
        let password =
            first_line(std::io::stdin().lock()).context("reading the password from standard input")?;
        return make(&password, &mut said, out);
    }
    let ask = |prompt| rpassword::prompt_password(prompt).context("reading the password from the terminal");
    let password = ask("The page's new password (it is not shown): ")?;
    check(&password)?;
    if ask("The same once more: ")? != password {
        return Err(WrongInput::beside("the two are not the same; nothing was made").into());
    }
    make(&password, &mut said, out)
}

/// Writes the string of a password to `out`, and what to do with it to `said`, so that
/// the string alone goes into a file.
fn make(password: &str, said: &mut dyn Write, out: &mut dyn Write) -> anyhow::Result<Exit> {
    check(password)?;
    let made = PasswordHash::of(password).context("making the password's string")?;
    writeln!(out, "{}", made.as_str())?;
    writeln!(
        said,
        "Put this line into a file that only trug may read, name the file as password_file in the section [page] of \
         trug.toml, and have trug use it with `trug reload`."
    )?;
    Ok(Exit::Yes)
}

fn check(password: &str) -> Result<(), WrongInput> {
    let length = password.chars().count();
    let why = if length < PASSWORD_MIN {
        format!("a password of {length} characters: accepted are {PASSWORD_MIN} and more")
    } else if password.len() > PASSWORD_MAX {
        format!("a password of {} bytes: accepted are {PASSWORD_MAX} at most", password.len())
    } else if password.chars().any(char::is_control) {
        "the password holds a control character: accepted is one line of text".to_owned()
    } else {
        return Ok(());
    };
    Err(WrongInput::beside(why))
}

fn first_line(input: impl BufRead) -> std::io::Result<String> {
    let mut line = String::new();
    // Enough to see that it is too long.
    input.take(2 * PASSWORD_MAX as u64).read_line(&mut line)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_standard_input_becomes_a_string_that_knows_it() {
        let (mut said, mut out) = (Vec::new(), Vec::new());
        let password = first_line(&b"wattle seed\r\nmore\n"[..]).unwrap();
        assert_eq!(make(&password, &mut said, &mut out).unwrap(), Exit::Yes);
        let line = String::from_utf8(out).unwrap();
        assert!(PasswordHash::parse(line.trim_end()).unwrap().is_of("wattle seed"), "{line}");
        assert!(String::from_utf8(said).unwrap().contains("password_file"));
    }

    #[test]
    fn a_short_a_long_and_a_broken_password_are_refused() {
        for (password, said_of_it) in [
            ("", "a password of 0 characters: accepted are 8 and more"),
            ("sevench", "a password of 7 characters: accepted are 8 and more"),
            (&"x".repeat(1025), "a password of 1025 bytes: accepted are 1024 at most"),
            ("tab\there it is", "the password holds a control character: accepted is one line of text"),
        ] {
            let (mut said, mut out) = (Vec::new(), Vec::new());
            let refused = make(password, &mut said, &mut out).unwrap_err();
            assert_eq!(refused.downcast::<WrongInput>().unwrap().to_string(), said_of_it);
            assert!(out.is_empty() && said.is_empty());
        }
        let long = first_line(format!("{}\n", "y".repeat(9000)).as_bytes()).unwrap();
        assert_eq!(long.len(), 2048);
    }
}
