//! What the test suites share.
