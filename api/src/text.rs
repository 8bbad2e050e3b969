//! Characters of other people's texts.

/// Whether a character cannot be seen and still changes what is seen: control characters (general category Cc), those
/// that steer the direction of writing (the explicit formatting characters of Unicode UAX #9, section 2), and those
/// without width.
pub fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        || matches!(c, '\u{ad}' | '\u{200b}'..='\u{200d}' | '\u{2028}' | '\u{2029}' | '\u{2060}'..='\u{2064}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_steers_or_hides_is_told_from_letters_and_marks() {
        for c in ['\0', '\x1b', '\u{9b}', '\u{202e}', '\u{2066}', '\u{200b}', '\u{feff}', '\n'] {
            assert!(is_unseen(c), "{c:?}");
        }
        for c in ['a', '\u{e9}', '\u{5d0}', '\u{301}', '\u{4e2d}', ' ', '<', '\u{1f3ae}'] {
            assert!(!is_unseen(c), "{c:?}");
        }
    }
}
