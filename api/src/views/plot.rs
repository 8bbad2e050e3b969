//! Plots as SVG, for articles and pages: with a title, a description in words, and no script.

use std::fmt::Write as _;

use wearmark_core::series::envelope::Stretch;

use crate::text::is_unseen;

/// Width of a plot, SVG units.
const WIDTH: f64 = 720.0;

/// Height of one pass in it.
const PANEL: f64 = 150.0;

/// What is left of the drawing area for the axis of times.
const LEFT: f64 = 56.0;

/// What is left of it on the other side.
const RIGHT: f64 = 12.0;

/// Heading of the plot, and room below the last pass.
const TOP: f64 = 44.0;

/// What each pass leaves above its drawing for its name, and below for its axis.
const NAME: f64 = 20.0;
const AXIS: f64 = 22.0;

/// Passes that are drawn at most; the rest is said in words.
const PASSES: usize = 12;

/// Light and dark, by what the reader's machine prefers.
const STYLE: &str = "text{font:12px sans-serif;fill:#222}.h{font-size:14px;font-weight:bold}.g{stroke:#ccc;stroke-width:1}\
.r{fill:#7aa6c2;fill-opacity:.45}.m{fill:none;stroke:#174a6b;stroke-width:1.5}.b{fill:#fff}\
@media(prefers-color-scheme:dark){text{fill:#ddd}.g{stroke:#444}.r{fill:#4d7a96}.m{stroke:#a9d3ec}.b{fill:#161a1d}}";

/// One pass to draw.
#[derive(Debug)]
pub struct PassPlot {
    /// Its frame times in stretches.
    pub stretches: Vec<Stretch>,
    /// Mean rate, fps; none without frame times.
    pub mean_fps: Option<f64>,
    /// 1% low by `percentile`, fps.
    pub low_fps: Option<f64>,
}

/// The frame times of a run over time: a band from the shortest to the longest of each stretch, and a line at their
/// median. `about` says in words whose they are; `data` is where the figures are.
pub fn frame_times(about: &str, data: &str, passes: &[PassPlot]) -> String {
    let drawn = &passes[..passes.len().min(PASSES)];
    let height = TOP + PANEL * drawn.len() as f64;
    let highest = drawn.iter().flat_map(|p| &p.stretches).map(|s| s.most_ms).fold(0.0, f64::max);
    let longest = drawn.iter().flat_map(|p| &p.stretches).map(|s| s.to_s).fold(0.0, f64::max);
    let (step_ms, step_s) = (tick(highest, 3.0), tick(longest, 6.0));
    let top_ms = (highest / step_ms).ceil().max(1.0) * step_ms;
    let mut words = format!("Frame times of {about}, milliseconds over seconds.");
    for (at, pass) in passes.iter().enumerate() {
        let _ = write!(words, " Pass {}: {}.", at + 1, in_words(pass));
    }
    if passes.len() > PASSES {
        let _ = write!(words, " Only the first {PASSES} passes are drawn.");
    }
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         aria-labelledby=\"t d\"><title id=\"t\">{}</title><desc id=\"d\">{} The figures are at {}.</desc>\
         <style>{STYLE}</style><rect class=\"b\" width=\"{WIDTH}\" height=\"{height}\"/>\
         <text class=\"h\" x=\"{LEFT}\" y=\"22\">{}</text>",
        escaped(&format!("Frame times of {about}")),
        escaped(&words),
        escaped(data),
        escaped(about)
    );
    for (at, pass) in drawn.iter().enumerate() {
        panel(&mut svg, at, pass, top_ms, longest, step_ms, step_s);
    }
    svg.push_str("</svg>\n");
    svg
}

fn in_words(pass: &PassPlot) -> String {
    if pass.stretches.is_empty() {
        return "no frame times".to_owned();
    }
    let rate = |fps: Option<f64>| fps.map_or("not known".to_owned(), |fps| format!("{fps:.1} fps"));
    let longest = pass.stretches.iter().map(|s| s.most_ms).fold(0.0, f64::max);
    format!("mean {}, 1% low {}, longest frame {longest:.1} ms", rate(pass.mean_fps), rate(pass.low_fps))
}

/// One pass below the one before.
fn panel(svg: &mut String, at: usize, pass: &PassPlot, top_ms: f64, longest: f64, step_ms: f64, step_s: f64) {
    let from = TOP + PANEL * at as f64 + NAME;
    let to = from + PANEL - NAME - AXIS;
    let x = |seconds: f64| LEFT + (WIDTH - LEFT - RIGHT) * seconds / longest.max(f64::MIN_POSITIVE);
    let y = |ms: f64| to - (to - from) * ms / top_ms;
    let _ = write!(
        svg,
        "<text x=\"{LEFT}\" y=\"{:.1}\">{}</text>",
        from - 6.0,
        escaped(&format!("Pass {}: {}", at + 1, in_words(pass)))
    );
    for line in 0..=(top_ms / step_ms).round() as u32 {
        let ms = f64::from(line) * step_ms;
        let _ = write!(
            svg,
            "<line class=\"g\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
             <text text-anchor=\"end\" x=\"{:.1}\" y=\"{:.1}\">{} ms</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            y(ms) + 4.0,
            number(ms),
            y = y(ms)
        );
    }
    for mark in 0..=(longest / step_s).floor() as u32 {
        let seconds = f64::from(mark) * step_s;
        let _ = write!(
            svg,
            "<text text-anchor=\"middle\" x=\"{:.1}\" y=\"{:.1}\">{} s</text>",
            x(seconds),
            to + 15.0,
            number(seconds)
        );
    }
    if pass.stretches.is_empty() {
        return;
    }
    let middle = |s: &Stretch| x(0.5 * (s.from_s + s.to_s));
    let upper = pass.stretches.iter().map(|s| (middle(s), y(s.most_ms)));
    let lower = pass.stretches.iter().rev().map(|s| (middle(s), y(s.least_ms)));
    let _ = write!(svg, "<polygon class=\"r\" points=\"{}\"/>", points(upper.chain(lower)));
    let line = pass.stretches.iter().map(|s| (middle(s), y(s.median_ms)));
    let _ = write!(svg, "<polyline class=\"m\" points=\"{}\"/>", points(line));
}

fn points(of: impl Iterator<Item = (f64, f64)>) -> String {
    of.map(|(x, y)| format!("{x:.1},{y:.1}")).collect::<Vec<_>>().join(" ")
}

/// A round step that divides a range into at most so many parts.
pub(super) fn tick(range: f64, parts: f64) -> f64 {
    if range <= 0.0 {
        return 1.0;
    }
    let least = range / parts;
    let ten = 10.0_f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * ten).find(|step| *step >= least).unwrap_or(10.0 * ten)
}

pub(super) fn number(x: f64) -> String {
    let text = format!("{x:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // What XML 1.0 does not allow, and what would turn the words beside it round.
            c if is_unseen(c) && !matches!(c, '\t' | '\n' | '\r') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use wearmark_core::series::envelope::envelope;

    use super::*;

    fn pass(times: &[f64]) -> PassPlot {
        PassPlot { stretches: envelope(times, 100), mean_fps: Some(60.0), low_fps: None }
    }

    #[test]
    fn a_plot_says_in_words_what_it_shows_and_names_stay_words() {
        let times: Vec<f64> = (0..6_000_u32).map(|i| 16.0 + f64::from(i % 5)).collect();
        let svg = frame_times("<card> & \"game\"\u{1}", "/v1/runs/r/frame-times", &[pass(&times), pass(&[])]);
        assert!(svg.contains("&lt;card&gt; &amp; &quot;game&quot; "), "{svg}");
        assert!(svg.contains("<title") && svg.contains("<desc") && svg.contains("/v1/runs/r/frame-times"));
        assert!(svg.contains("Pass 1: mean 60.0 fps, 1% low not known, longest frame 20.0 ms"), "{svg}");
        assert!(svg.contains("Pass 2: no frame times"), "{svg}");
        assert_eq!((svg.matches("<polygon").count(), svg.matches("<polyline").count()), (1, 1));
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }

    #[test]
    fn a_plot_is_bounded_whatever_the_run() {
        let times = vec![1.0; 200_000];
        let passes: Vec<PassPlot> = (0..60).map(|_| pass(&times)).collect();
        let svg = frame_times("run", "data", &passes);
        assert_eq!(svg.matches("<polygon").count(), PASSES);
        assert!(svg.contains("Only the first 12 passes") && svg.len() < 100_000, "{}", svg.len());
    }

    #[test]
    fn ticks_are_round() {
        for (range, parts, step) in [(20.0, 3.0, 10.0), (61.0, 6.0, 20.0), (0.7, 3.0, 0.5), (0.0, 3.0, 1.0)] {
            assert!((tick(range, parts) - step).abs() < 1e-12, "{range}");
        }
    }
}
