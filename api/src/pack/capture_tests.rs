#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

use std::io::Write;

use super::*;

fn format() -> Format {
    Format { column: None, unit: Unit::Ms, delimiter: b',', decimal_comma: false, skip_lines: 0 }
}

fn bits(values: &[f64]) -> Vec<u64> {
    values.iter().map(|v| v.to_bits()).collect()
}

#[track_caller]
fn reads(text: &str, format: &Format, expected: &[f64]) {
    assert_eq!(bits(&read("pass.csv", text.as_bytes(), format).unwrap()), bits(expected));
}

#[track_caller]
fn refuses(text: &str, format: &Format, expected: &str) {
    let said = read("pass.csv", text.as_bytes(), format).unwrap_err().to_string();
    assert!(said.contains(expected), "said {said:?}, expected {expected:?}");
}

#[test]
fn a_single_column_is_taken_with_or_without_a_header_and_with_any_line_end() {
    reads("frame_ms\r\n12.8764\r\n12.6609\r\n", &format(), &[12.8764, 12.6609]);
    reads("12.8764\n12.6609", &format(), &[12.8764, 12.6609]);
    reads("\u{feff}anything\n12.8764\n\n12.6609\n", &format(), &[12.8764, 12.6609]);
}

#[test]
fn among_several_columns_frame_ms_is_taken_without_asking_and_others_by_name_or_number() {
    let text = "frame,frame_ms,wait\n1,16.5,3.5\n2,17,4\n";
    reads(text, &format(), &[16.5, 17.0]);
    reads(text, &Format { column: Some("WAIT".to_owned()), ..format() }, &[3.5, 4.0]);
    reads("1,16.5\n2,17\n", &Format { column: Some("2".to_owned()), ..format() }, &[16.5, 17.0]);
}

#[test]
fn units_are_brought_to_milliseconds_without_losing_a_digit() {
    reads("12876.4\n", &Format { unit: Unit::Us, ..format() }, &[12.8764]);
    reads("0.0128764\n", &Format { unit: Unit::S, ..format() }, &[12.8764]);
    reads("16667\n", &Format { unit: Unit::Us, ..format() }, &[16.667]);
}

#[test]
fn timestamps_become_exact_differences() {
    let seconds = Format { unit: Unit::TimestampsS, ..format() };
    reads("t\n1764000000.0167\n1764000000.0334\n1764000000.0501\n", &seconds, &[16.7, 16.7]);
    reads("0\n16.7\n33.4\n", &Format { unit: Unit::TimestampsMs, ..format() }, &[16.7, 16.7]);
    refuses("t\n1.0\n1.0\n", &seconds, "pass.csv:3:1: a timestamp must be later");
    refuses("t\n1.0\n", &seconds, "it takes two");
}

#[test]
fn other_delimiters_decimal_commas_and_leading_lines_are_read_when_named() {
    let semicolon = Format {
        delimiter: b';',
        decimal_comma: true,
        column: Some("ms".to_owned()),
        skip_lines: 2,
        ..format()
    };
    reads("made by\nsome program\nframe;ms\n1;16,5\n", &semicolon, &[16.5]);
    reads("a\tframe_ms\n1\t16.5\n", &Format { delimiter: b'\t', ..format() }, &[16.5]);
}

#[test]
fn gzip_is_known_by_its_first_bytes_and_may_have_several_members() {
    let mut packed = Vec::new();
    for part in ["frame_ms\r\n12.5\r\n", "13.5\r\n"] {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(part.as_bytes()).unwrap();
        packed.extend(encoder.finish().unwrap());
    }
    assert_eq!(bits(&read("pass.csv.gz", &packed, &format()).unwrap()), bits(&[12.5, 13.5]));
    let cut = &packed[..packed.len() - 6];
    assert!(read("pass.csv.gz", cut, &format()).unwrap_err().to_string().contains("gzip"));
}

#[test]
fn a_bad_value_is_named_by_file_line_and_column() {
    let text = "note,frame_ms\n\"a, b\",16.5\nc,oops\n";
    refuses(text, &format(), "pass.csv:3:3: `oops` is not a number");
    refuses("frame_ms\n16.5\n\n\n-1\n", &format(), "pass.csv:5:1: a frame time must be more than 0");
    refuses("a,frame_ms\n\"x, y\",0\n", &format(), "pass.csv:2:8: a frame time");
    refuses("a,frame_ms\n1,16.5\n2\n", &format(), "pass.csv:3:2: the line ends before column 2");
    refuses("a,frame_ms\n1,\n", &format(), "pass.csv:2:3: the value is missing");
    refuses("frame_ms\nNaN\n", &format(), "`NaN` is not a number");
    refuses("a;frame_ms\n1;16,5\n", &Format { delimiter: b';', ..format() }, "--decimal-comma");
}

#[test]
fn a_file_without_the_column_lists_what_it_has() {
    refuses("a,b\n1,2\n", &format(), "--column: `a`, `b`");
    refuses(
        "a,b\n1,2\n",
        &Format { column: Some("c".to_owned()), ..format() },
        "no column `c`; its columns are `a`, `b`",
    );
    refuses("frame_ms\n", &format(), "has no frame times");
    refuses("", &format(), "has no frame times");
    match read("x", b"\xff\xfe1\x00", &format()) {
        Err(PackError::File { message, .. }) => assert!(message.contains("UTF-16")),
        other => panic!("{other:?}"),
    }
}
