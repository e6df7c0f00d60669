//! A list of named values that cross as one byte: number, name and meaning in one place, for code and page alike.
//!
//! What it does not: decide what an unknown number means (the codec refuses it). Start reading at [`numbered`].

/// Makes an enum whose values have a number on the wire, a name and a meaning; the meaning is the doc comment.
macro_rules! numbered {
    (
        $(#[$about:meta])*
        $name:ident {
            $($(#[doc = $what:literal])+ $variant:ident = $number:literal $label:literal,)+
        }
    ) => {
        $(#[$about])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub enum $name {
            $($(#[doc = $what])+ $variant,)+
        }

        impl $name {
            /// Every value, in order of its number.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The number that stands for it on the wire.
            #[must_use]
            pub const fn number(self) -> u8 {
                match self {
                    $(Self::$variant => $number,)+
                }
            }

            /// Its stable name: lower case, words joined by `_`.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$variant => $label,)+
                }
            }

            /// What it means, in a sentence.
            #[must_use]
            pub fn what(self) -> &'static str {
                match self {
                    $(Self::$variant => concat!($($what,)+).trim_start(),)+
                }
            }

            /// The value of a number; `None` for a number that stands for nothing.
            #[must_use]
            pub const fn from_number(number: u8) -> Option<Self> {
                match number {
                    $($number => Some(Self::$variant),)+
                    _ => None,
                }
            }
        }
    };
}

pub(crate) use numbered;
