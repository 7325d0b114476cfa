//! Journal and library of runs in SQLite.
