//! The style of the pages, packed.

/// A style sheet without what stands between `/*` and `*/`, which no text of ours holds,
/// and with each line that cannot be read otherwise joined to the next.
pub fn packed(style: &str) -> String {
    let mut parts = style.split("/*");
    let mut kept = parts.next().unwrap_or_default().to_owned();
    parts.for_each(|part| kept.push_str(part.split_once("*/").map_or("", |(_, after)| after)));
    let mut joined = String::with_capacity(kept.len());
    let mut quoted = false;
    for line in kept.lines().map(str::trim).filter(|line| !line.is_empty()) {
        for (at, letter) in line.char_indices() {
            quoted ^= letter == '"';
            // The last declaration of a block needs no end of its own.
            if letter == '}' && !quoted {
                joined.truncate(joined.trim_end_matches([' ', ';', '\n']).len());
            }
            let before_block = line[at..].starts_with(" {");
            if letter != ' ' || quoted || !(before_block || joined.ends_with(['{', '}', ';', ',', ':'])) {
                joined.push(letter);
            }
        }
        if !line.ends_with(['{', '}', ';', ',']) {
            joined.push('\n');
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_style_is_packed_and_says_the_same() {
        let style = "/* words: here */\n.a, .b > c {\n  margin: 0 auto;\n  content: \": {\";\n}\n@media (x: 1) and (y) {\n  d :is(e) { f: calc(1px + 2%); }\n}\n";
        let packed = packed(style);
        assert_eq!(
            packed,
            ".a,.b > c{margin:0 auto;content:\": {\"}@media (x:1) and (y){d :is(e){f:calc(1px + 2%)}}"
        );
    }
}
