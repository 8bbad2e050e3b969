//! Spellings of names.

/// The spelling under which names are compared: lower case, letters and digits only, except that two
/// digits that something stands between stay apart (`1.12` and `11.2` are different versions).
pub fn normalise(name: &str) -> String {
    let mut spelling = String::with_capacity(name.len());
    let mut apart = false;
    for c in name.chars() {
        if !c.is_alphanumeric() {
            apart = true;
            continue;
        }
        if apart && c.is_numeric() && spelling.ends_with(char::is_numeric) {
            spelling.push('.');
        }
        apart = false;
        spelling.extend(c.to_lowercase());
    }
    spelling
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_ignore_case_and_marks_but_keep_digits_apart() {
        assert_eq!(normalise("Lantern 27-Fold"), normalise("lantern_27 fold"));
        assert_ne!(normalise("1.12"), normalise("11.2"));
        assert_eq!(normalise("20.3.5"), normalise("20-3-5"));
        assert_eq!(normalise("(b1812)"), "b1812");
    }
}
