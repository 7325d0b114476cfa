//! Plots, HTML, tables and CSV.
