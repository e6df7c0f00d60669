//! `src/score/MEASURES.md` says what the table of measures says.
//!
//! `PLANTSTAND_WRITE_PAGES=1` rewrites it.

use plantstand::score::page::measures_page;

#[test]
fn measures_page_is_up_to_date() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/src/score/MEASURES.md");
    let page = measures_page();
    if std::env::var_os("PLANTSTAND_WRITE_PAGES").is_some() {
        std::fs::write(path, &page).expect("the page can be written");
    }
    let stored = std::fs::read_to_string(path).unwrap_or_default();
    assert!(
        stored == page,
        "{path} is stale; PLANTSTAND_WRITE_PAGES=1 cargo test --release --test score_page rewrites it"
    );
}
