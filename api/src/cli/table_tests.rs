use serde_json::json;

use super::*;

fn row(card: &str, fps: f64) -> Value {
    json!({
        "card": card, "workload": "nine-weirs", "scene": "river-survey", "api": "Vulkan", "preset": "Low",
        "width": 1920, "height": 1080, "render_scale": 1.0, "variant": "", "mean_fps": fps,
        "mean_fps_from": fps - 4.0, "mean_fps_to": fps + 4.0, "low_fps": 41.24, "low_fps_from": null,
        "low_fps_to": null, "low_definition": "tail-mean", "contributors": 4, "runs": 9, "target_fps": 30.0,
        "playable": true, "limited_by": null
    })
}

#[test]
fn keys_that_all_rows_share_stand_above_the_table() {
    let text = render(&[row("draywick-kiln-ochre", 61.26), row("draywick-kiln-umber", 48.0)], 100);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[0], "workload nine-weirs, scene river-survey, api Vulkan, preset Low, size 1920x1080");
    assert_eq!(lines[1], "card                 mean fps  95 %   1% low  contrib.  runs  playable");
    assert_eq!(lines[2], "draywick-kiln-ochre      61.3  57-65    41.2         4     9  yes (30)");
    assert!(lines[4].contains("`tail-mean`"));
}

#[test]
fn a_table_fits_eighty_characters() {
    let mut other = row("draywick-kiln-russet-4g", 61.26);
    other["workload"] = json!("the-cartwrights-debt");
    other["height"] = json!(720);
    for rows in [vec![row("draywick-kiln-ochre", 1061.26)], vec![row("draywick-kiln-ochre", 61.0), other]] {
        let text = render(&rows, 80);
        assert!(text.lines().take(1 + rows.len()).all(|line| line.chars().count() <= 80), "{text}");
    }
}
