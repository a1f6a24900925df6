//! Plain data between Python and serde, so that an option added in the core appears in Python
//! without glue of its own.

use ciborium::Value;
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::{PyBool, PyDict, PyFloat, PyInt, PyMapping, PyString, PyTuple};
use serde::de::value::{MapDeserializer, SeqDeserializer};
use serde::de::{self, DeserializeOwned, IntoDeserializer, Visitor};
use serde::ser::{Impossible, SerializeStruct};
use serde::{Deserializer, Serialize};
use std::fmt;

/// Reads a core value from Python data; `place` names it in messages.
///
/// # Errors
/// TypeError naming the element that does not fit.
pub(crate) fn from_py<T: DeserializeOwned>(data: &Bound<'_, PyAny>, place: &str) -> PyResult<T> {
    serde_path_to_error::deserialize(Plain(data.clone())).map_err(|e| {
        let path = e.path().to_string();
        let dot = if path == "." { String::new() } else { format!(".{path}") };
        PyTypeError::new_err(format!("{place}{dot}: {}", e.into_inner()))
    })
}

/// A core value as Python data: numbers, words, tuples and dicts.
pub(crate) fn to_py<'py, T: Serialize>(py: Python<'py>, value: &T) -> PyResult<Bound<'py, PyAny>> {
    value_to_py(py, &to_value(value)?)
}

/// A core value as a tree.
pub(crate) fn to_value<T: Serialize>(value: &T) -> PyResult<Value> {
    Value::serialized(value).map_err(|e| PyTypeError::new_err(e.to_string()))
}

/// A tree as Python data.
pub(crate) fn value_to_py<'py>(py: Python<'py>, value: &Value) -> PyResult<Bound<'py, PyAny>> {
    Ok(match value {
        Value::Null => py.None().into_bound(py),
        Value::Bool(x) => PyBool::new(py, *x).to_owned().into_any(),
        Value::Integer(x) => i128::from(*x).into_pyobject(py)?.into_any(),
        Value::Float(x) => PyFloat::new(py, *x).into_any(),
        Value::Text(x) => PyString::new(py, x).into_any(),
        Value::Array(items) => {
            let items = items.iter().map(|v| value_to_py(py, v)).collect::<PyResult<Vec<_>>>()?;
            PyTuple::new(py, items)?.into_any()
        }
        Value::Map(entries) => {
            let dict = PyDict::new(py);
            for (k, v) in entries {
                dict.set_item(value_to_py(py, k)?, value_to_py(py, v)?)?;
            }
            dict.into_any()
        }
        other => return Err(PyTypeError::new_err(format!("{other:?} has no Python form"))),
    })
}

/// One field of a struct as a tree, without a look at the others; `None` when it is left out.
pub(crate) fn field<T: Serialize>(value: &T, name: &'static str) -> PyResult<Option<Value>> {
    value.serialize(OneField { name, found: None }).map_err(|e| PyTypeError::new_err(e.to_string()))
}

/// Serializes one field of a struct and skips the rest.
struct OneField {
    name: &'static str,
    found: Option<Value>,
}

impl SerializeStruct for OneField {
    type Ok = Option<Value>;
    type Error = ciborium::value::Error;

    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        key: &'static str,
        value: &T,
    ) -> Result<(), Self::Error> {
        if key == self.name {
            self.found = Some(Value::serialized(value)?);
        }
        Ok(())
    }

    fn end(self) -> Result<Option<Value>, Self::Error> {
        Ok(self.found)
    }
}

/// Only structs have fields.
macro_rules! no_fields {
    ($($method:ident($($kind:ty),*))*) => {
        $(fn $method(self $(, _: $kind)*) -> Result<Self::Ok, Self::Error> {
            Err(serde::ser::Error::custom("only a struct has fields"))
        })*
    };
}

impl serde::Serializer for OneField {
    type Ok = Option<Value>;
    type Error = ciborium::value::Error;
    type SerializeSeq = Impossible<Self::Ok, Self::Error>;
    type SerializeTuple = Impossible<Self::Ok, Self::Error>;
    type SerializeTupleStruct = Impossible<Self::Ok, Self::Error>;
    type SerializeTupleVariant = Impossible<Self::Ok, Self::Error>;
    type SerializeMap = Impossible<Self::Ok, Self::Error>;
    type SerializeStruct = Self;
    type SerializeStructVariant = Impossible<Self::Ok, Self::Error>;

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self, Self::Error> {
        Ok(self)
    }

    no_fields! {
        serialize_bool(bool) serialize_i8(i8) serialize_i16(i16) serialize_i32(i32)
        serialize_i64(i64) serialize_u8(u8) serialize_u16(u16) serialize_u32(u32)
        serialize_u64(u64) serialize_f32(f32) serialize_f64(f64) serialize_char(char)
        serialize_str(&str) serialize_bytes(&[u8]) serialize_none() serialize_unit()
        serialize_unit_struct(&'static str) serialize_unit_variant(&'static str, u32, &'static str)
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<Self::Ok, Self::Error> {
        value.serialize(self)
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<Self::Ok, Self::Error> {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        value: &T,
    ) -> Result<Self::Ok, Self::Error> {
        value.serialize(self)
    }

    fn serialize_seq(self, _: Option<usize>) -> Result<Self::SerializeSeq, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }

    fn serialize_tuple(self, _: usize) -> Result<Self::SerializeTuple, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }

    fn serialize_tuple_struct(
        self,
        _: &'static str,
        _: usize,
    ) -> Result<Self::SerializeTupleStruct, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self::SerializeTupleVariant, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }

    fn serialize_map(self, _: Option<usize>) -> Result<Self::SerializeMap, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }

    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self::SerializeStructVariant, Self::Error> {
        Err(serde::ser::Error::custom("only a struct has fields"))
    }
}

/// Names of the fields that a struct reads, in the order of its declaration.
pub(crate) fn fields<T: DeserializeOwned>() -> &'static [&'static str] {
    let mut fields: &'static [&'static str] = &[];
    // The deserializer only notes what it is asked for and then fails.
    let _ = T::deserialize(Fields(&mut fields));
    fields
}

struct Fields<'a>(&'a mut &'static [&'static str]);

impl<'de> Deserializer<'de> for Fields<'_> {
    type Error = de::value::Error;

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Self::Error> {
        *self.0 = fields;
        self.deserialize_any(visitor)
    }

    fn deserialize_any<V: Visitor<'de>>(self, _visitor: V) -> Result<V::Value, Self::Error> {
        Err(de::Error::custom("only the names were asked for"))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option
        unit unit_struct newtype_struct seq tuple tuple_struct map enum identifier ignored_any
    }
}

/// A Python error on its way through serde.
#[derive(Debug)]
pub(crate) struct PlainError(String);

impl fmt::Display for PlainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for PlainError {}

impl de::Error for PlainError {
    fn custom<T: fmt::Display>(msg: T) -> PlainError {
        PlainError(msg.to_string())
    }
}

impl From<PyErr> for PlainError {
    fn from(e: PyErr) -> PlainError {
        PlainError(e.to_string())
    }
}

/// Reads Python data by what it is; records give their fields.
struct Plain<'py>(Bound<'py, PyAny>);

impl<'de, 'py> IntoDeserializer<'de, PlainError> for Plain<'py> {
    type Deserializer = Plain<'py>;
    fn into_deserializer(self) -> Plain<'py> {
        self
    }
}

impl<'de> Deserializer<'de> for Plain<'_> {
    type Error = PlainError;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, PlainError> {
        let x = &self.0;
        if x.is_none() {
            visitor.visit_unit()
        } else if x.is_instance_of::<PyBool>() {
            visitor.visit_bool(x.extract()?)
        } else if x.is_instance_of::<PyInt>() {
            match x.extract::<u64>() {
                Ok(n) => visitor.visit_u64(n),
                Err(_) => visitor.visit_i64(x.extract()?),
            }
        } else if x.is_instance_of::<PyFloat>() {
            visitor.visit_f64(x.extract()?)
        } else if x.is_instance_of::<PyString>() {
            visitor.visit_string(x.extract()?)
        } else if let Ok(map) = x.cast::<PyMapping>() {
            let items = map.items()?;
            let entries = items
                .iter()
                .map(|pair| Ok((Plain(pair.get_item(0)?), Plain(pair.get_item(1)?))))
                .collect::<PyResult<Vec<_>>>()?;
            visitor.visit_map(MapDeserializer::new(entries.into_iter()))
        } else if let Ok(record) = x.call_method0("to_dict") {
            Plain(record).deserialize_any(visitor)
        } else if let Ok(items) = x.try_iter() {
            let items = items.map(|i| i.map(Plain)).collect::<PyResult<Vec<_>>>()?;
            visitor.visit_seq(SeqDeserializer::new(items.into_iter()))
        } else if let Ok(n) = x.call_method0("__index__") {
            // Whole numbers of numpy are no Python ints.
            Plain(n).deserialize_any(visitor)
        } else if let Ok(n) = x.extract::<f64>() {
            visitor.visit_f64(n)
        } else {
            Err(de::Error::custom(format!("cannot use a {}", x.get_type().name()?)))
        }
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, PlainError> {
        if self.0.is_none() { visitor.visit_none() } else { visitor.visit_some(self) }
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, PlainError> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, PlainError> {
        if let Ok(word) = self.0.extract::<String>() {
            return visitor.visit_enum(IntoDeserializer::<PlainError>::into_deserializer(word));
        }
        let map = self.0.cast::<PyMapping>().map_err(|_| {
            let kind = self.0.get_type().to_string();
            PlainError(format!("{name} is one of {}, not a {kind}", variants.join(", ")))
        })?;
        let items = map.items()?;
        let entries = items
            .iter()
            .map(|pair| Ok((Plain(pair.get_item(0)?), Plain(pair.get_item(1)?))))
            .collect::<PyResult<Vec<_>>>()?;
        visitor.visit_enum(de::value::MapAccessDeserializer::new(MapDeserializer::new(
            entries.into_iter(),
        )))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf unit
        unit_struct seq tuple tuple_struct map struct identifier ignored_any
    }
}
