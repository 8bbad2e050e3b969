//! Figures with their intervals as dots on a common axis, as SVG: readable on a narrow screen, in words too, without
//! script.

use std::fmt::Write as _;

use super::plot::{escaped, number, tick};

/// Width of a plot, SVG units; narrow, so that its text stays readable on a telephone.
const WIDTH: f64 = 520.0;

/// What the labels take on the left, and the figures on the right.
const LEFT: f64 = 152.0;
const RIGHT: f64 = 128.0;

/// Heading, a row, a row's second line, and the axis with the address of the data.
const TOP: f64 = 50.0;
const ROW: f64 = 22.0;
const NOTE: f64 = 15.0;
const BOTTOM: f64 = 52.0;

/// Rows that are drawn at most; the rest is said in words.
const ROWS: usize = 80;

/// Characters of a line of notes, and of the heading.
const LINE: usize = 76;
const HEADING: usize = 54;

/// Light and dark, by what the reader's machine prefers. Nothing is told by colour alone.
const STYLE: &str = "text{font:12px sans-serif;fill:#222}.h{font-size:14px;font-weight:bold}.s{font-weight:bold}.n{font-size:11px;fill:#555;stroke:#fff;stroke-width:3px;paint-order:stroke}\
.g{stroke:#ddd;stroke-width:1}.z{stroke:#777;stroke-width:1;stroke-dasharray:4 3}.i{stroke:#174a6b;stroke-width:2}.p{fill:#174a6b}\
.u{fill:#0b6e3b}.d{fill:#9c2a10}.b{fill:#fff}\
@media(prefers-color-scheme:dark){text{fill:#ddd}.n{fill:#aaa;stroke:#161a1d}.g{stroke:#333}.z{stroke:#999}.i{stroke:#a9d3ec}.p{fill:#a9d3ec}\
.u{fill:#6fd39b}.d{fill:#ff9c80}.b{fill:#161a1d}}";

/// How a row is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A dot.
    Plain,
    /// The figure that sums the others up: a larger one.
    Sum,
    /// A change for the better, with a triangle.
    Up,
    /// One for the worse.
    Down,
}

/// One figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Heading above it; none within a group.
    pub heading: Option<String>,
    /// What it is of.
    pub label: String,
    /// The figure; none where there is not enough evidence.
    pub value: Option<f64>,
    /// 95 % interval.
    pub interval: Option<(f64, f64)>,
    /// What else is to be said, below it; each a line.
    pub notes: Vec<String>,
    /// How it is drawn.
    pub mark: Mark,
}

/// A plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Dots {
    /// What it shows.
    pub title: String,
    /// The same in a sentence with the unit.
    pub about: String,
    /// Address of the figures.
    pub data: String,
    /// Decimals of the figures.
    pub decimals: usize,
    /// Where there is a line to compare with.
    pub reference: Option<f64>,
    /// The figures.
    pub rows: Vec<Row>,
}

impl Dots {
    /// The drawing.
    pub fn svg(&self) -> String {
        let drawn = &self.rows[..self.rows.len().min(ROWS)];
        let height = TOP + BOTTOM + drawn.iter().map(room).sum::<f64>();
        let axis = Axis::of(drawn, self.reference);
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
             aria-labelledby=\"t d\"><title id=\"t\">{}</title><desc id=\"d\">{}</desc>\
             <style>{STYLE}</style><rect class=\"b\" width=\"{WIDTH}\" height=\"{height}\"/>\
             <text class=\"h\" x=\"8\" y=\"20\">{}</text><text class=\"n\" x=\"8\" y=\"37\">{}</text>",
            escaped(&self.title),
            escaped(&self.words()),
            escaped(&cut(&self.title, HEADING)),
            escaped(&cut(&self.about, LINE)),
        );
        let bottom = height - BOTTOM;
        for at in axis.ticks() {
            let x = axis.x(at);
            let _ = write!(
                svg,
                "<line class=\"g\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{TOP}\" y2=\"{bottom:.1}\"/>\
                 <text text-anchor=\"middle\" x=\"{x:.1}\" y=\"{:.1}\">{}</text>",
                bottom + 16.0,
                number(at)
            );
        }
        if let Some(reference) = self.reference {
            let x = axis.x(reference);
            let _ = write!(
                svg,
                "<line class=\"z\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{TOP}\" y2=\"{bottom:.1}\"/>"
            );
        }
        let mut y = TOP;
        for row in drawn {
            self.row(&mut svg, row, &axis, y);
            y += room(row);
        }
        let data = escaped(&self.data);
        let _ = writeln!(
            svg,
            "<a href=\"{data}\"><text class=\"n\" x=\"8\" y=\"{:.1}\">{}</text></a></svg>",
            height - 10.0,
            escaped(&cut(&format!("Figures: {}", self.data), LINE))
        );
        svg
    }

    /// All of it in words.
    fn words(&self) -> String {
        let mut words = self.about.clone();
        for row in &self.rows {
            if let Some(heading) = &row.heading {
                let _ = write!(words, " {heading}:");
            }
            let _ = write!(words, " {}: {}", row.label, self.figures(row));
            row.notes.iter().for_each(|note| {
                let _ = write!(words, ", {note}");
            });
            words.push('.');
        }
        if self.rows.len() > ROWS {
            let _ = write!(words, " Only the first {ROWS} are drawn.");
        }
        let _ = write!(words, " The figures are at {}.", self.data);
        words
    }

    fn figures(&self, row: &Row) -> String {
        let digits = self.decimals;
        match (row.value, row.interval) {
            (Some(value), Some((from, to))) => format!("{value:.digits$} ({from:.digits$} to {to:.digits$})"),
            (Some(value), None) => format!("{value:.digits$}"),
            (None, _) => "not enough evidence".to_owned(),
        }
    }

    fn row(&self, svg: &mut String, row: &Row, axis: &Axis, top: f64) {
        let mut y = top + 15.0;
        if let Some(heading) = &row.heading {
            let _ = write!(
                svg,
                "<text class=\"s\" x=\"8\" y=\"{y:.1}\">{}</text>",
                escaped(&cut(heading, HEADING))
            );
            y += ROW;
        }
        let strong = if row.mark == Mark::Sum { " class=\"s\"" } else { "" };
        let _ = write!(
            svg,
            "<text{strong} x=\"8\" y=\"{y:.1}\">{}</text><text{strong} text-anchor=\"end\" x=\"{:.1}\" y=\"{y:.1}\">{}</text>",
            escaped(&row.label),
            WIDTH - 8.0,
            escaped(&self.figures(row).replace(" to ", "\u{2013}"))
        );
        let middle = y - 4.0;
        if let Some((from, to)) = row.interval {
            let _ = write!(
                svg,
                "<line class=\"i\" x1=\"{:.1}\" x2=\"{:.1}\" y1=\"{middle:.1}\" y2=\"{middle:.1}\"/>",
                axis.x(from),
                axis.x(to)
            );
        }
        if let Some(value) = row.value {
            let x = axis.x(value);
            let _ = match row.mark {
                Mark::Up | Mark::Down => {
                    let (class, tip) = if row.mark == Mark::Up { ("u", -6.0) } else { ("d", 6.0) };
                    write!(
                        svg,
                        "<path class=\"{class}\" d=\"M{:.1},{:.1}L{:.1},{:.1}L{x:.1},{:.1}Z\"/>",
                        x - 6.0,
                        middle - 0.8 * tip,
                        x + 6.0,
                        middle - 0.8 * tip,
                        middle + tip
                    )
                }
                Mark::Sum => write!(
                    svg,
                    "<rect class=\"p\" x=\"{:.1}\" y=\"{:.1}\" width=\"10\" height=\"10\"/>",
                    x - 5.0,
                    middle - 5.0
                ),
                Mark::Plain => {
                    write!(svg, "<circle class=\"p\" cx=\"{x:.1}\" cy=\"{middle:.1}\" r=\"4\"/>")
                }
            };
        }
        for note in &row.notes {
            y += NOTE;
            let _ =
                write!(svg, "<text class=\"n\" x=\"24\" y=\"{y:.1}\">{}</text>", escaped(&cut(note, LINE)));
        }
    }
}

/// A text that fits a line of so many characters.
fn cut(text: &str, longest: usize) -> String {
    if text.chars().count() <= longest {
        return text.to_owned();
    }
    text.chars().take(longest - 1).chain(['\u{2026}']).collect()
}

fn room(row: &Row) -> f64 {
    let heading = if row.heading.is_some() { ROW } else { 0.0 };
    ROW + heading + NOTE * row.notes.len() as f64
}

/// Where a figure is drawn: equal ratios are equally far apart.
struct Axis {
    from: f64,
    to: f64,
}

impl Axis {
    fn of(rows: &[Row], reference: Option<f64>) -> Axis {
        let positive = |x: &f64| *x > 0.0 && x.is_finite();
        let values: Vec<f64> =
            rows.iter().filter_map(|r| r.value).chain(reference).filter(positive).collect();
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(0.0, f64::max);
        if high == 0.0 {
            return Axis { from: 0.5, to: 2.0 };
        }
        // An interval that reaches far beyond all figures ends at the edge.
        let reach = (high / low).max(1.05).powf(0.75).max(1.1);
        let ends = rows.iter().filter_map(|r| r.interval).flat_map(|(from, to)| [from, to]).filter(positive);
        let (mut from, mut to) = (low, high);
        for end in ends {
            (from, to) = (from.min(end.max(low / reach)), to.max(end.min(high * reach)));
        }
        let edge = (to / from).max(1.02).powf(0.04);
        Axis { from: from / edge, to: to * edge }
    }

    fn x(&self, value: f64) -> f64 {
        let place = (value.max(f64::MIN_POSITIVE) / self.from).ln() / (self.to / self.from).ln();
        LEFT + (WIDTH - LEFT - RIGHT) * place.clamp(0.0, 1.0)
    }

    /// Four or so round figures.
    fn ticks(&self) -> Vec<f64> {
        if self.to / self.from < 2.5 {
            let step = tick(self.to - self.from, 4.0);
            let first = (self.from / step).ceil() as i64;
            return (first..first + 6).map(|at| at as f64 * step).filter(|at| *at <= self.to).collect();
        }
        let decades = (self.from.log10().floor() as i32)..=(self.to.log10().ceil() as i32);
        let steps: &[f64] = if self.to / self.from < 12.0 { &[1.0, 2.0, 3.0, 5.0, 7.0] } else { &[1.0, 3.0] };
        decades
            .flat_map(|decade| steps.iter().map(move |step| step * 10.0_f64.powi(decade)))
            .filter(|at| (self.from..=self.to).contains(at))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(label: &str, value: Option<f64>, interval: Option<(f64, f64)>) -> Row {
        Row { heading: None, label: label.to_owned(), value, interval, notes: Vec::new(), mark: Mark::Plain }
    }

    fn plot(rows: Vec<Row>) -> Dots {
        Dots {
            title: "Cards & <dots>".to_owned(),
            about: "Ratio of means.".to_owned(),
            data: "/v1/compare?card=a,b&x=1".to_owned(),
            decimals: 2,
            reference: Some(1.0),
            rows,
        }
    }

    #[test]
    fn figures_are_drawn_and_said_in_words_and_names_stay_words() {
        let mut up = row("b", Some(1.5), None);
        (up.mark, up.notes) = (Mark::Up, vec!["faster by half".to_owned()]);
        let svg = plot(vec![row("a", Some(1.1), Some((1.0, 1.2))), up, row("c", None, None)]).svg();
        assert!(svg.contains("Cards &amp; &lt;dots&gt;") && svg.contains("x=1"), "{svg}");
        for said in ["a: 1.10 (1.00 to 1.20).", "b: 1.50, faster by half.", "c: not enough evidence."] {
            assert!(svg.contains(said), "{said} is not in {svg}");
        }
        assert_eq!((svg.matches("<circle").count(), svg.matches("<path").count()), (1, 1));
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }

    #[test]
    fn a_plot_stays_bounded_and_within_its_edges_whatever_the_figures() {
        let rows = (0..500).map(|at| row(&at.to_string(), Some(1.0 + f64::from(at)), Some((1e-9, 1e9))));
        let svg = plot(rows.collect()).svg();
        assert_eq!(svg.matches("<circle").count(), ROWS);
        assert!(svg.contains("Only the first 80") && svg.len() < 100_000, "{}", svg.len());
        for part in svg.split("cx=\"").skip(1) {
            let x: f64 = part.split('"').next().and_then(|x| x.parse().ok()).unwrap_or(-1.0);
            assert!((LEFT..=WIDTH - RIGHT).contains(&x), "{x}");
        }
        let empty = plot(Vec::new()).svg();
        assert!(!empty.contains("NaN") && empty.ends_with("</svg>\n"), "{empty}");
    }

    #[test]
    fn an_axis_has_a_few_round_figures() {
        for (low, high) in [(0.9, 1.1), (95.0, 104.0), (0.4, 3.0), (20.0, 200.0), (3.0, 900.0)] {
            let axis = Axis::of(&[row("a", Some(low), None), row("b", Some(high), None)], None);
            let ticks = axis.ticks();
            assert!((2..=7).contains(&ticks.len()), "{low} to {high}: {ticks:?}");
        }
    }
}
