//! How findings put things: cut values, kinds of values, lists of words, the nearest known word.

use serde_json::Value;

/// Longest quotation of a submitted value, characters: enough to recognise it, too few to flood a log.
const QUOTED: usize = 80;

/// The first characters of a text, with an ellipsis when something is missing.
pub(crate) fn cut(text: &str, chars: usize) -> String {
    match text.char_indices().nth(chars) {
        Some((at, _)) => format!("{}…", text.get(..at).unwrap_or_default()),
        None => text.to_owned(),
    }
}

/// A submitted text in quotation marks, cut, with control characters escaped.
pub(crate) fn quote(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in cut(text, QUOTED).chars() {
        if c.is_control() {
            quoted.extend(c.escape_default());
        } else {
            quoted.push(c);
        }
    }
    quoted.push('"');
    quoted
}

/// A submitted value in a few words.
pub(crate) fn describe(value: &Value) -> String {
    match value {
        Value::Null => "null".to_owned(),
        Value::Bool(b) => b.to_string(),
        Value::Number(n) => format!("the number {n}"),
        Value::String(s) => format!("the text {}", quote(s)),
        Value::Array(a) => format!("a list of {}", count(a.len(), "item")),
        Value::Object(o) => format!("an object of {}", count(o.len(), "field")),
    }
}

/// A JSON type in plain words.
pub(crate) fn type_words(name: &str) -> &'static str {
    match name {
        "string" => "a text",
        "number" => "a number",
        "integer" => "a whole number",
        "boolean" => "true or false",
        "array" => "a list",
        "object" => "an object",
        _ => "null",
    }
}

/// `1 item`, `2 items`.
pub(crate) fn count(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

/// `a, b or c`.
pub(crate) fn any_of<S: AsRef<str>>(words: &[S]) -> String {
    join(words, " or ")
}

/// `a, b and c`.
pub(crate) fn all_of<S: AsRef<str>>(words: &[S]) -> String {
    join(words, " and ")
}

fn join<S: AsRef<str>>(words: &[S], last: &str) -> String {
    let ticked: Vec<String> = words.iter().map(|w| format!("`{}`", w.as_ref())).collect();
    match ticked.as_slice() {
        [] => String::new(),
        [only] => only.clone(),
        [most @ .., end] => format!("{}{last}{end}", most.join(", ")),
    }
}

/// The known word that a wrong one was most likely meant to be: the one at the least edit distance
/// (insertion, deletion, substitution and exchange of neighbours count 1 each; Damerau 1964), if at
/// most a third of its letters differ. Case and separators do not count.
pub(crate) fn nearest<'a>(wrong: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let fold = |word: &str| -> Vec<char> {
        word.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).take(64).collect()
    };
    let wrong = fold(wrong);
    known
        .into_iter()
        .filter_map(|word| {
            let folded = fold(word);
            let distance = distance(&wrong, &folded);
            (distance <= 1.max(folded.len() / 3) && distance < folded.len()).then_some((distance, word))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

fn distance(a: &[char], b: &[char]) -> usize {
    let width = b.len() + 1;
    let mut table = vec![0_usize; (a.len() + 1) * width];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            let at = i * width + j;
            table[at] = if i == 0 || j == 0 {
                i + j
            } else {
                let same = usize::from(a[i - 1] != b[j - 1]);
                let mut least =
                    (table[at - width] + 1).min(table[at - 1] + 1).min(table[at - width - 1] + same);
                if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                    least = least.min(table[at - 2 * width - 2] + 1);
                }
                least
            };
        }
    }
    table.last().copied().unwrap_or_default()
}
