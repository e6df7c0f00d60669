//! A serialiser that writes nothing and refuses numbers that are not finite, naming their place.
//!
//! JSON has no such numbers, and a writer would put `null` in silence. What it does not: any output.
//! Start reading at [`first_not_finite`].

use serde::Serialize;
use serde::ser::{self, Impossible};
use std::fmt;

/// Where the first number stands that is not finite: `limits[3].value`; none when all are.
pub fn first_not_finite<T: Serialize>(value: &T) -> Option<String> {
    let mut path = Vec::new();
    value.serialize(Finite { path: &mut path }).err().map(|found| found.0)
}

/// The end of the walk: the place found.
#[derive(Debug)]
pub struct Found(String);

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Found {}

impl ser::Error for Found {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self(message.to_string())
    }
}

type Walk = Result<(), Found>;

struct Finite<'a> {
    path: &'a mut Vec<String>,
}

impl Finite<'_> {
    fn within<T: Serialize + ?Sized>(&mut self, step: String, value: &T) -> Walk {
        self.path.push(step);
        let walk = value.serialize(Finite { path: self.path });
        self.path.pop();
        walk
    }

    fn check(&self, value: f64) -> Walk {
        if value.is_finite() {
            return Ok(());
        }
        let place = self.path.concat();
        Err(Found(place.strip_prefix('.').map_or(place.clone(), str::to_owned)))
    }
}

macro_rules! nothing_to_check {
    ($($method:ident($($argument:ty),*);)*) => {
        $(fn $method(self, $(_: $argument),*) -> Walk { Ok(()) })*
    };
}

impl<'a> ser::Serializer for Finite<'a> {
    type Ok = ();
    type Error = Found;
    type SerializeSeq = Parts<'a>;
    type SerializeTuple = Parts<'a>;
    type SerializeTupleStruct = Parts<'a>;
    type SerializeTupleVariant = Impossible<(), Found>;
    type SerializeMap = Parts<'a>;
    type SerializeStruct = Parts<'a>;
    type SerializeStructVariant = Impossible<(), Found>;

    nothing_to_check! {
        serialize_bool(bool); serialize_i8(i8); serialize_i16(i16); serialize_i32(i32); serialize_i64(i64);
        serialize_u8(u8); serialize_u16(u16); serialize_u32(u32); serialize_u64(u64); serialize_char(char);
        serialize_str(&str); serialize_bytes(&[u8]); serialize_none(); serialize_unit();
        serialize_unit_struct(&'static str); serialize_unit_variant(&'static str, u32, &'static str);
    }

    fn serialize_f32(self, value: f32) -> Walk {
        self.check(f64::from(value))
    }

    fn serialize_f64(self, value: f64) -> Walk {
        self.check(value)
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Walk {
        value.serialize(self)
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(self, _: &'static str, value: &T) -> Walk {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        mut self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        value: &T,
    ) -> Walk {
        self.within(format!(".{variant}"), value)
    }

    fn serialize_seq(self, _: Option<usize>) -> Result<Parts<'a>, Found> {
        Ok(Parts { finite: self, place: 0, key: String::new() })
    }

    fn serialize_tuple(self, _: usize) -> Result<Parts<'a>, Found> {
        self.serialize_seq(None)
    }

    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Parts<'a>, Found> {
        self.serialize_seq(None)
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self::SerializeTupleVariant, Found> {
        Err(Found("an enum of tuples, which a result has not".to_owned()))
    }

    fn serialize_map(self, _: Option<usize>) -> Result<Parts<'a>, Found> {
        self.serialize_seq(None)
    }

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Parts<'a>, Found> {
        self.serialize_seq(None)
    }

    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self::SerializeStructVariant, Found> {
        Err(Found("an enum of structs, which a result has not".to_owned()))
    }
}

/// A list, map or struct being walked.
struct Parts<'a> {
    finite: Finite<'a>,
    place: usize,
    key: String,
}

impl Parts<'_> {
    fn next<T: Serialize + ?Sized>(&mut self, value: &T) -> Walk {
        let step = format!("[{}]", self.place);
        self.place += 1;
        self.finite.within(step, value)
    }
}

macro_rules! walks_a_list {
    ($($kind:ident $method:ident;)*) => {
        $(impl ser::$kind for Parts<'_> {
            type Ok = ();
            type Error = Found;
            fn $method<T: Serialize + ?Sized>(&mut self, value: &T) -> Walk {
                self.next(value)
            }
            fn end(self) -> Walk {
                Ok(())
            }
        })*
    };
}

walks_a_list! { SerializeSeq serialize_element; SerializeTuple serialize_element; SerializeTupleStruct serialize_field; }

impl ser::SerializeMap for Parts<'_> {
    type Ok = ();
    type Error = Found;

    fn serialize_key<T: Serialize + ?Sized>(&mut self, key: &T) -> Walk {
        let name = serde_json::to_string(key).map_err(|error| Found(error.to_string()))?;
        self.key = format!(".{}", name.trim_matches('"'));
        Ok(())
    }

    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Walk {
        self.finite.within(self.key.clone(), value)
    }

    fn end(self) -> Walk {
        Ok(())
    }
}

impl ser::SerializeStruct for Parts<'_> {
    type Ok = ();
    type Error = Found;

    fn serialize_field<T: Serialize + ?Sized>(&mut self, key: &'static str, value: &T) -> Walk {
        self.finite.within(format!(".{key}"), value)
    }

    fn end(self) -> Walk {
        Ok(())
    }
}
