//! Whether a value is what its key's description allows, and what to say when it is not.
//!
//! What it does not: know a key. Start reading at [`Shape::objection`].

use crate::scenario::complaint::Kind;
use crate::scenario::file::{Value, ValueKind};
use crate::scenario::shape::{Range, Shape, allowed_texts};

impl Shape {
    /// What is allowed, in words.
    pub(crate) fn words(&self) -> String {
        match self {
            Self::Number(range) => range.words(),
            Self::Whole { low, high, unit } => format!("allowed {low} to {high} {unit}").trim_end().to_owned(),
            Self::SignedWhole { most, unit } => {
                let range = format!("allowed -{most} to {most} {unit}");
                format!("{}, but not 0", range.trim_end())
            }
            Self::Text => "a text belongs here".to_owned(),
            Self::Flag => "allowed true or false".to_owned(),
            Self::Choice { built, .. } | Self::Choices(built) => allowed_texts(built.iter().copied()),
            Self::Pair(range) => format!("two ascending numbers, {}", range.words()),
            Self::Numbers(range) => format!("a list of numbers, {}", range.words()),
            Self::Wholes { low, high } => format!("a list of whole numbers, each once, allowed {low} to {high}"),
            Self::Table(_) | Self::Tagged(_) | Self::Settings | Self::Changes | Self::Tolerances | Self::Factors => {
                "a table belongs here".to_owned()
            }
            Self::Tables(_) | Self::TaggedTables(_) => "at least one table belongs here".to_owned(),
        }
    }

    pub(crate) fn known_names(&self) -> impl Iterator<Item = &'static str> {
        let (built, later): (&[_], &[_]) = match self {
            Self::Choice { built, later } => (built, later),
            _ => (&[], &[]),
        };
        built.iter().chain(later).copied()
    }

    /// What is wrong with a value, and what is allowed; `None` for a sound one.
    pub(crate) fn objection(&self, kind: &ValueKind) -> Option<(Kind, String)> {
        let impossible = |sound: bool| (!sound).then(|| (Kind::Impossible, self.words()));
        match (self, kind) {
            (Self::Number(range), _) => match kind.number() {
                Some(number) => impossible(range.holds(number)),
                None => self.wrong_type(kind),
            },
            (Self::Whole { low, high, .. }, ValueKind::Whole(whole)) => {
                impossible(u64::try_from(*whole).is_ok_and(|whole| (*low..=*high).contains(&whole)))
            }
            (Self::SignedWhole { most, .. }, ValueKind::Whole(whole)) => {
                impossible((1..=*most).contains(&whole.unsigned_abs()))
            }
            (Self::Whole { .. } | Self::SignedWhole { .. }, ValueKind::Number(_)) => {
                Some((Kind::WrongType, format!("a whole number belongs here; {}", self.words())))
            }
            (Self::Text, ValueKind::Text(text)) => {
                text.trim().is_empty().then(|| (Kind::Impossible, "a text that is not empty belongs here".to_owned()))
            }
            (Self::Flag, ValueKind::Flag(_)) => None,
            (Self::Choice { built, later }, ValueKind::Text(text)) => match later.contains(&text.as_str()) {
                true => Some((Kind::NotBuiltYet, format!("not built yet; {}", self.words()))),
                false => impossible(built.contains(&text.as_str())),
            },
            (Self::Choices(names), ValueKind::List(list)) => impossible(are_choices(list, names)),
            (Self::Pair(range), ValueKind::List(list)) => {
                impossible(list.len() == 2 && are_numbers(list, *range) && ascend(list))
            }
            (Self::Numbers(range), ValueKind::List(list)) => impossible(are_numbers(list, *range)),
            (Self::Wholes { low, high }, ValueKind::List(list)) => impossible(are_wholes(list, *low, *high)),
            (Self::Tables(_) | Self::TaggedTables(_), ValueKind::List(_)) => None,
            (
                Self::Table(_) | Self::Tagged(_) | Self::Settings | Self::Changes | Self::Tolerances | Self::Factors,
                ValueKind::Table(_),
            ) => None,
            _ => self.wrong_type(kind),
        }
    }

    fn wrong_type(&self, kind: &ValueKind) -> Option<(Kind, String)> {
        let (words, place) = (self.words(), self.place_words());
        let allowed = match words.ends_with("belongs here") {
            true => format!("{} where {place} belongs", kind.words()),
            false => format!("{} where {place} belongs; {words}", kind.words()),
        };
        Some((Kind::WrongType, allowed))
    }

    fn place_words(&self) -> &'static str {
        match self {
            Self::Number(_) | Self::Whole { .. } | Self::SignedWhole { .. } => "a number",
            Self::Text | Self::Choice { .. } => "a text",
            Self::Flag => "true or false",
            Self::Choices(_) | Self::Pair(_) | Self::Numbers(_) | Self::Wholes { .. } => "a list",
            Self::Table(_) | Self::Tagged(_) | Self::Settings | Self::Changes | Self::Tolerances | Self::Factors => {
                "a table"
            }
            Self::Tables(_) | Self::TaggedTables(_) => "an array of tables, under double brackets,",
        }
    }
}

fn are_numbers(list: &[Value], range: Range) -> bool {
    list.iter().all(|item| item.kind.number().is_some_and(|number| range.holds(number)))
}

fn ascend(list: &[Value]) -> bool {
    list.windows(2).all(|two| two[0].kind.number() < two[1].kind.number())
}

fn are_choices(list: &[Value], names: &[&str]) -> bool {
    let texts: Vec<&str> = list.iter().filter_map(|item| item.kind.text()).collect();
    let once = texts.iter().enumerate().all(|(index, text)| !texts[..index].contains(text));
    !list.is_empty() && texts.len() == list.len() && once && texts.iter().all(|text| names.contains(text))
}

fn are_wholes(list: &[Value], low: u64, high: u64) -> bool {
    let wholes: Vec<u64> = list.iter().filter_map(|item| item.kind.whole()).collect();
    let once = wholes.iter().enumerate().all(|(index, whole)| !wholes[..index].contains(whole));
    !list.is_empty() && wholes.len() == list.len() && once && wholes.iter().all(|whole| (low..=high).contains(whole))
}
