//! Text tables: columns as wide as their content, numbers on the right, names cut before the line breaks.

/// One column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Heading.
    pub title: &'static str,
    /// Numbers stand on the right.
    pub right: bool,
    /// May be cut to make the table fit.
    pub may_shrink: bool,
}

impl Column {
    /// A column of names, which may be cut.
    pub const fn name(title: &'static str) -> Column {
        Column { title, right: false, may_shrink: true }
    }

    /// A column of short words, never cut.
    pub const fn word(title: &'static str) -> Column {
        Column { title, right: false, may_shrink: false }
    }

    /// A column of numbers, never cut.
    pub const fn number(title: &'static str) -> Column {
        Column { title, right: true, may_shrink: false }
    }
}

/// Blanks between columns.
const GAP: usize = 2;

/// No name is cut below this many characters.
const LEAST_WIDTH: usize = 8;

/// The table as lines of text, each ended. Columns that are empty in every row are left out.
/// Names are cut (with `…`) where the lines would be longer than `width` characters.
pub fn render(columns: &[Column], rows: &[Vec<String>], width: usize) -> String {
    let used: Vec<usize> = (0..columns.len())
        .filter(|&at| {
            rows.is_empty() || rows.iter().any(|row| row.get(at).is_some_and(|cell| !cell.is_empty()))
        })
        .collect();
    let cell = |row: &[String], at: usize| row.get(at).map(|c| super::output::clean(c)).unwrap_or_default();
    let mut widths: Vec<usize> = used
        .iter()
        .map(|&at| {
            let content = rows.iter().map(|row| cell(row, at).chars().count()).max().unwrap_or(0);
            content.max(columns[at].title.chars().count())
        })
        .collect();
    let gaps = GAP * used.len().saturating_sub(1);
    while widths.iter().sum::<usize>() + gaps > width {
        // The longest name loses a character first, so that all stay readable as long as possible.
        let widest = used
            .iter()
            .enumerate()
            .filter(|&(slot, &at)| columns[at].may_shrink && widths[slot] > LEAST_WIDTH)
            .max_by_key(|&(slot, _)| (widths[slot], usize::MAX - slot));
        let Some((slot, _)) = widest else { break };
        widths[slot] -= 1;
    }
    let mut text = String::new();
    let titles: Vec<String> = columns.iter().map(|c| c.title.to_owned()).collect();
    for row in std::iter::once(titles.as_slice()).chain(rows.iter().map(Vec::as_slice)) {
        let mut line = String::new();
        for (slot, &at) in used.iter().enumerate() {
            let content = cut(&cell(row, at), widths[slot]);
            let blanks = " ".repeat(widths[slot] - content.chars().count());
            if slot > 0 {
                line.push_str(&" ".repeat(GAP));
            }
            if columns[at].right {
                line.push_str(&blanks);
                line.push_str(&content);
            } else {
                line.push_str(&content);
                line.push_str(&blanks);
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(std::iter::once('…')).collect()
}

/// A figure with a fixed number of places; empty when there is none.
pub fn figure(value: Option<f64>, places: usize) -> String {
    value.filter(|v| v.is_finite()).map_or_else(String::new, |v| format!("{v:.places$}"))
}

/// How wide tables may be: the terminal's own width as far as the shell tells it, between 80 and 120.
pub fn width() -> usize {
    std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok()).unwrap_or(120).clamp(80, 120)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(cells: &[&str]) -> Vec<String> {
        cells.iter().map(|c| (*c).to_owned()).collect()
    }

    #[test]
    fn numbers_stand_on_the_right_and_names_on_the_left() {
        let columns = [Column::name("card"), Column::number("mean fps")];
        let rows = [row(&["talon-4", "61.3"]), row(&["talon-60", "120.0"])];
        assert_eq!(
            render(&columns, &rows, 80),
            "card      mean fps\ntalon-4       61.3\ntalon-60     120.0\n"
        );
    }

    #[test]
    fn the_longest_names_are_cut_until_the_line_fits_and_numbers_never_are() {
        let columns = [Column::name("card"), Column::name("workload"), Column::number("mean fps")];
        let rows = [row(&["a-card-with-a-long-name", "and-a-workload-with-a-longer-name", "123456.7"])];
        let text = render(&columns, &rows, 50);
        assert!(text.lines().all(|line| line.chars().count() <= 50), "{text}");
        assert!(text.contains("123456.7") && text.contains('…'), "{text}");
    }

    #[test]
    fn a_column_without_any_content_is_left_out() {
        let columns = [Column::name("card"), Column::word("limited by"), Column::number("runs")];
        assert_eq!(render(&columns, &[row(&["x", "", "3"])], 80), "card  runs\nx        3\n");
    }

    #[test]
    fn control_characters_never_reach_the_terminal() {
        assert!(!render(&[Column::name("card")], &[row(&["a\x1b[2Jb"])], 80).contains('\x1b'));
    }
}
