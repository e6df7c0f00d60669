//! A mistake of our own that shows as a panic: caught in one place, so that the run becomes void and keeps its record.
//!
//! What it does not: go on as if nothing had happened; what was being computed is lost. Start reading at [`caught`].

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Does the work, or says in the panic's words why it could not be finished. What the work had changed before stays as
/// it was at that moment: good to be looked at, not to be continued.
///
/// # Errors
/// The panic's message.
pub fn caught<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work)).map_err(|payload| words(payload.as_ref()))
}

fn words(payload: &(dyn Any + Send)) -> String {
    let text = payload.downcast_ref::<String>().map(String::as_str);
    let text = text.or_else(|| payload.downcast_ref::<&'static str>().copied());
    text.unwrap_or("a panic without a message").replace('\n', "; ")
}

#[cfg(test)]
mod tests {
    use super::caught;

    /// Work that ends well gives its value, and a panic gives its words on one line.
    #[test]
    fn a_panic_becomes_words() {
        assert_eq!(caught(|| 7), Ok(7));
        let node = 3;
        assert_eq!(caught(|| -> u8 { panic!("node {node}\nis odd") }), Err("node 3; is odd".to_owned()));
        assert_eq!(caught(|| -> u8 { panic!("plain") }), Err("plain".to_owned()));
    }
}
