//! The codes of this crate's findings, in one table.

use wearmark_core::finding::{Rule, Severity};

const fn rule(code: &'static str, explanation: &'static str) -> Rule {
    Rule { code, severity: Severity::Reject, explanation }
}

/// Every rule of this step. All of them keep a document out: what is off the schema cannot be judged.
pub const RULES: &[Rule] = &[
    rule(
        "schema-malformed",
        "The body is not one JSON document (RFC 8259), so nothing in it can be relied on.",
    ),
    rule(
        "schema-encoding",
        "The body is not UTF-8, which JSON between systems has to be (RFC 8259, section 8.1).",
    ),
    rule("schema-size", "The document holds more values besides frame times than any honest one needs."),
    rule(
        "schema-depth",
        "Values are nested deeper than the limit; deep nesting only serves to exhaust a reader.",
    ),
    rule(
        "schema-duplicate-key",
        "A field appears twice in one object (RFC 8259, section 4): readers would disagree on which one counts.",
    ),
    rule(
        "schema-duplicate-id",
        "Two catalogue entries of one kind carry the same id, so one would hide the other.",
    ),
    rule("schema-type", "A value is of another JSON type than its field takes."),
    rule("schema-missing", "A field that the document needs is not there."),
    rule(
        "schema-unknown-field",
        "A field has a name that the schema does not know; most often it is misspelt.",
    ),
    rule("schema-choice", "A value is not one of the words that the field takes."),
    rule(
        "schema-range",
        "A number lies outside what is possible at all; what is merely unlikely is judged later.",
    ),
    rule(
        "schema-length",
        "A text, a list, an object or a field name is shorter or longer than the schema allows.",
    ),
    rule(
        "schema-format",
        "A text is not written in the form that the field takes, such as a date or a PCI id.",
    ),
    rule("schema-other", "The document breaks a rule of the schema that has no code of its own."),
    rule("schema-more", "More findings of the same kind exist than are listed."),
];
