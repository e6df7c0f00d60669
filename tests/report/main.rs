//! Promises of the renderings: score sheet, page, JSON, character plots.
//!
//! All are checked on one made-up trial, passed, failed and void. Start reading at `page.rs`.

mod clock;
mod fabricated;
mod json;
mod numbers;
mod page;
mod sheet;
mod terminal_plots;
