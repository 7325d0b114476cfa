//! The store from outside.

/// A disk that fills: the end of the run is recorded all the same.
#[cfg(target_os = "linux")]
mod disk_full;
/// Invented entries, any that the types allow.
mod entries;
/// A process killed while it writes: what it announced is there.
mod killed;
/// Folders and files that are no store, and what is said of them.
mod opening;
/// A log cut off anywhere opens to a beginning of what was committed.
mod power_cut;
/// Any sequence of begin, write, double and reopen against a plain list.
mod reference;
/// Chains: damage is found, what is sound is told; old runs, erased words, copies.
mod sealed;
/// Readers, requests and recordings beside a writer.
mod together;
