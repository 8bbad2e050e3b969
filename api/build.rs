//! The migrations are embedded; a changed one must be embedded again.

fn main() {
    println!("cargo::rerun-if-changed=../migrations");
}
