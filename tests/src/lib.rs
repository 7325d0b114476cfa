//! End-to-end and published-reference checks; see `tests/`.
