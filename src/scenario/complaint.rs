//! A complaint about a scenario file: where, what was found, what is allowed.
//!
//! What it does not: decide. Start reading at [`Complaint`]; its `Display` is the one line a person reads.

use std::fmt::{self, Display, Formatter};

/// What sort of complaint it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// The text is no TOML there.
    Syntax,
    /// No key of that name exists.
    UnknownKey,
    /// The key belongs to a capability that comes later.
    NotBuiltYet,
    /// A text where a number belongs, and the like.
    WrongType,
    /// A name, of an entry or a path, that names nothing in the file.
    UnknownName,
    /// A number outside its range, or values that contradict each other.
    Impossible,
    /// A key or section that must be there is not.
    Missing,
}

/// One complaint. Facts, not prose: `Display` puts them into a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// The file as it was named.
    pub file: String,
    /// Line, from 1. Of a missing key: the line of its section.
    pub line: usize,
    /// Path of the key, `train.0.inertia_kgm2`; empty where there is none.
    pub key: String,
    /// What sort.
    pub kind: Kind,
    /// What was found, as it stands in the file; none where nothing was.
    pub found: Option<String>,
    /// What is wrong or allowed, `allowed 0.000001 to 10 kg·m²`.
    pub allowed: String,
    /// The nearest known name.
    pub nearest: Option<String>,
    /// The corner in whose machine it shows; none for the file itself.
    pub corner: Option<String>,
}

impl Display for Complaint {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:", self.file, self.line)?;
        if let Some(corner) = &self.corner {
            write!(f, " in corner \"{corner}\":")?;
        }
        match (self.key.is_empty(), &self.found) {
            (false, Some(found)) => write!(f, " {} = {found}; {}", self.key, self.allowed)?,
            (false, None) => write!(f, " {}: {}", self.key, self.allowed)?,
            (true, Some(found)) => write!(f, " {found}; {}", self.allowed)?,
            (true, None) => write!(f, " {}", self.allowed)?,
        }
        if let Some(nearest) = &self.nearest {
            write!(f, "; did you mean {nearest}?")?;
        }
        Ok(())
    }
}
