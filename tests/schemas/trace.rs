//! Watches a reader take a document apart, and so learns what the reader asks for.
//!
//! A `Deserializer` over a JSON value notes which method each type calls on it: names and fields of
//! structs, variants of enums, kinds of numbers, what may be null. The record covers what the
//! documents shown to it contain; what no document contains stays open.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use serde::de::value::Error;
use serde::de::{
    DeserializeSeed, Deserializer, EnumAccess, Error as _, IntoDeserializer, MapAccess, SeqAccess, VariantAccess,
    Visitor,
};
use serde_json::Value;

/// What was asked for at one place.
#[derive(Debug, Default)]
pub(crate) struct Node {
    pub(crate) null: bool,
    pub(crate) boolean: bool,
    pub(crate) whole: bool,
    pub(crate) number: bool,
    pub(crate) string: bool,
    /// Elements of a list, values of a map, members of a tuple.
    pub(crate) list: Option<Shared>,
    pub(crate) map: Option<Shared>,
    pub(crate) tuple: Option<Vec<Shared>>,
    /// Names of structs and enums.
    pub(crate) named: Vec<String>,
    /// The type looked before it decided; the keys it was shown.
    pub(crate) any: Vec<Vec<String>>,
}

pub(crate) type Shared = Rc<RefCell<Node>>;

/// A struct: fields in their order, and where in a document one stands.
#[derive(Debug, Default)]
pub(crate) struct Struct {
    pub(crate) fields: Vec<(String, Shared)>,
    pub(crate) places: Vec<Vec<String>>,
}

/// An enum: what each variant holds, once one was seen.
#[derive(Debug, Default)]
pub(crate) struct Enum {
    pub(crate) variants: Vec<(String, Option<Content>)>,
    pub(crate) places: Vec<Vec<String>>,
}

#[derive(Debug, Clone)]
pub(crate) enum Content {
    Unit,
    Held(Shared),
}

#[derive(Debug, Default)]
pub(crate) struct Record {
    pub(crate) structs: BTreeMap<String, Struct>,
    pub(crate) enums: BTreeMap<String, Enum>,
}

/// A value, the place in the record where it belongs, and its path in the document.
#[derive(Clone)]
pub(crate) struct Watch<'a> {
    value: &'a Value,
    node: Shared,
    record: Rc<RefCell<Record>>,
    path: Vec<String>,
}

impl<'a> Watch<'a> {
    pub(crate) fn new(value: &'a Value, node: Shared, record: Rc<RefCell<Record>>) -> Self {
        Self { value, node, record, path: Vec::new() }
    }

    fn at(&self, value: &'a Value, node: Shared, step: &str) -> Self {
        let mut path = self.path.clone();
        path.push(step.to_owned());
        Self { value, node, record: self.record.clone(), path }
    }

    fn wrong<T>(&self, wanted: &str) -> Result<T, Error> {
        Err(Error::custom(format!("{}: expected {wanted}, found {}", self.path.join("/"), self.value)))
    }

    fn name(&self, name: &str) {
        let mut node = self.node.borrow_mut();
        if !node.named.iter().any(|n| n == name) {
            node.named.push(name.to_owned());
        }
    }

    fn fields(&self, name: &str, fields: &[&str]) -> Vec<(String, Shared)> {
        let mut record = self.record.borrow_mut();
        let known = record.structs.entry(name.to_owned()).or_default();
        if known.fields.is_empty() {
            known.fields = fields.iter().map(|f| ((*f).to_owned(), Shared::default())).collect();
        }
        assert!(known.fields.iter().map(|f| &f.0).eq(fields.iter()), "two structs are called {name}");
        known.places.push(self.path.clone());
        known.fields.clone()
    }

    fn object<V: Visitor<'a>>(&self, fields: &[(String, Shared)], visitor: V) -> Result<V::Value, Error> {
        let Value::Object(object) = self.value else { return self.wrong("an object") };
        let entries: Vec<(&str, Watch<'a>)> = object
            .iter()
            .map(|(key, value)| {
                let node = fields.iter().find(|f| f.0 == *key).map(|f| f.1.clone()).unwrap_or_default();
                (key.as_str(), self.at(value, node, key))
            })
            .collect();
        visitor.visit_map(Entries { entries: entries.into_iter(), next: None })
    }
}

/// The name without the prefix of mirrors that readers check behind.
fn plain(name: &str) -> &str {
    name.strip_prefix("Raw").unwrap_or(name)
}

impl<'a> IntoDeserializer<'a, Error> for Watch<'a> {
    type Deserializer = Self;
    fn into_deserializer(self) -> Self {
        self
    }
}

struct Entries<'a> {
    entries: std::vec::IntoIter<(&'a str, Watch<'a>)>,
    next: Option<Watch<'a>>,
}

impl<'a> MapAccess<'a> for Entries<'a> {
    type Error = Error;
    fn next_key_seed<K: DeserializeSeed<'a>>(&mut self, seed: K) -> Result<Option<K::Value>, Error> {
        let Some((key, value)) = self.entries.next() else { return Ok(None) };
        self.next = Some(value);
        seed.deserialize(serde::de::value::BorrowedStrDeserializer::new(key)).map(Some)
    }
    fn next_value_seed<V: DeserializeSeed<'a>>(&mut self, seed: V) -> Result<V::Value, Error> {
        seed.deserialize(self.next.take().ok_or_else(|| Error::custom("a value without a key"))?)
    }
}

struct Elements<'a>(std::vec::IntoIter<Watch<'a>>);

impl<'a> SeqAccess<'a> for Elements<'a> {
    type Error = Error;
    fn next_element_seed<T: DeserializeSeed<'a>>(&mut self, seed: T) -> Result<Option<T::Value>, Error> {
        self.0.next().map(|watch| seed.deserialize(watch)).transpose()
    }
}

struct Variant<'a> {
    watch: Watch<'a>,
    name: String,
    held: Option<&'a Value>,
    of: String,
}

impl<'a> Variant<'a> {
    fn content(&self, content: Content) -> Content {
        let mut record = self.watch.record.borrow_mut();
        let known = record.enums.entry(self.of.clone()).or_default();
        match known.variants.iter_mut().find(|v| v.0 == self.name) {
            Some((_, seen)) => seen.get_or_insert(content).clone(),
            None => content,
        }
    }
    fn inside(&self) -> Result<Watch<'a>, Error> {
        let Some(value) = self.held else { return self.watch.wrong("a variant with content") };
        match self.content(Content::Held(Shared::default())) {
            Content::Held(node) => Ok(self.watch.at(value, node, &self.name)),
            Content::Unit => self.watch.wrong("a variant without content"),
        }
    }
}

impl<'a> EnumAccess<'a> for Variant<'a> {
    type Error = Error;
    type Variant = Self;
    fn variant_seed<V: DeserializeSeed<'a>>(self, seed: V) -> Result<(V::Value, Self), Error> {
        let value = seed.deserialize(IntoDeserializer::<Error>::into_deserializer(self.name.as_str()))?;
        Ok((value, self))
    }
}

impl<'a> VariantAccess<'a> for Variant<'a> {
    type Error = Error;
    fn unit_variant(self) -> Result<(), Error> {
        self.content(Content::Unit);
        Ok(())
    }
    fn newtype_variant_seed<T: DeserializeSeed<'a>>(self, seed: T) -> Result<T::Value, Error> {
        seed.deserialize(self.inside()?)
    }
    fn tuple_variant<V: Visitor<'a>>(self, len: usize, visitor: V) -> Result<V::Value, Error> {
        self.inside()?.deserialize_tuple(len, visitor)
    }
    fn struct_variant<V: Visitor<'a>>(self, fields: &'static [&'static str], visitor: V) -> Result<V::Value, Error> {
        let name = format!("{}_{}", self.of, self.name);
        let inside = self.inside()?;
        inside.name(&name);
        let fields = inside.fields(&name, fields);
        inside.object(&fields, visitor)
    }
}

macro_rules! numbers {
    ($($method:ident)*) => { $(
        fn $method<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
            let Some(n) = self.value.as_u64() else { return self.wrong("a whole number") };
            self.node.borrow_mut().whole = true;
            visitor.visit_u64(n)
        }
    )* };
}

macro_rules! strings {
    ($($method:ident)*) => { $(
        fn $method<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
            let Value::String(text) = self.value else { return self.wrong("a string") };
            self.node.borrow_mut().string = true;
            visitor.visit_borrowed_str(text)
        }
    )* };
}

impl<'a> Deserializer<'a> for Watch<'a> {
    type Error = Error;

    numbers! { deserialize_u8 deserialize_u16 deserialize_u32 deserialize_u64 }
    strings! { deserialize_str deserialize_string deserialize_char deserialize_identifier }

    fn deserialize_f64<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        let Some(x) = self.value.as_f64() else { return self.wrong("a number") };
        self.node.borrow_mut().number = true;
        visitor.visit_f64(x)
    }
    fn deserialize_bool<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        let Some(b) = self.value.as_bool() else { return self.wrong("true or false") };
        self.node.borrow_mut().boolean = true;
        visitor.visit_bool(b)
    }
    fn deserialize_option<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        self.node.borrow_mut().null = true;
        if self.value.is_null() { visitor.visit_none() } else { visitor.visit_some(self) }
    }
    fn deserialize_newtype_struct<V: Visitor<'a>>(self, _: &'static str, visitor: V) -> Result<V::Value, Error> {
        visitor.visit_newtype_struct(self)
    }
    fn deserialize_seq<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        let Value::Array(values) = self.value else { return self.wrong("a list") };
        let node = self.node.borrow_mut().list.get_or_insert_default().clone();
        let elements: Vec<_> =
            values.iter().enumerate().map(|(i, value)| self.at(value, node.clone(), &i.to_string())).collect();
        visitor.visit_seq(Elements(elements.into_iter()))
    }
    fn deserialize_tuple<V: Visitor<'a>>(self, len: usize, visitor: V) -> Result<V::Value, Error> {
        let Value::Array(values) = self.value else { return self.wrong("a list") };
        let nodes = self
            .node
            .borrow_mut()
            .tuple
            .get_or_insert_with(|| std::iter::repeat_with(Shared::default).take(len).collect())
            .clone();
        let elements: Vec<_> = values
            .iter()
            .zip(nodes)
            .enumerate()
            .map(|(i, (value, node))| self.at(value, node, &i.to_string()))
            .collect();
        visitor.visit_seq(Elements(elements.into_iter()))
    }
    fn deserialize_map<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        let Value::Object(object) = self.value else { return self.wrong("an object") };
        let node = self.node.borrow_mut().map.get_or_insert_default().clone();
        let entries: Vec<_> =
            object.iter().map(|(key, value)| (key.as_str(), self.at(value, node.clone(), key))).collect();
        visitor.visit_map(Entries { entries: entries.into_iter(), next: None })
    }
    fn deserialize_struct<V: Visitor<'a>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        let name = plain(name);
        self.name(name);
        let fields = self.fields(name, fields);
        self.object(&fields, visitor)
    }
    fn deserialize_enum<V: Visitor<'a>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        // One generic enum holds several types; its field tells which.
        let of = match self.path.last() {
            Some(field) if name == "Attempt" => format!("{name}_{field}"),
            _ => plain(name).to_owned(),
        };
        self.name(&of);
        {
            let mut record = self.record.borrow_mut();
            let known = record.enums.entry(of.clone()).or_default();
            if known.variants.is_empty() {
                known.variants = variants.iter().map(|v| ((*v).to_owned(), None)).collect();
            }
            assert!(known.variants.iter().map(|v| &v.0).eq(variants.iter()), "two enums are called {of}");
            known.places.push(self.path.clone());
        }
        let (name, held) = match self.value {
            Value::String(name) => (name.clone(), None),
            Value::Object(object) if object.len() == 1 => match object.iter().next() {
                Some((name, held)) => (name.clone(), Some(held)),
                None => return self.wrong("a variant"),
            },
            _ => return self.wrong("a variant"),
        };
        visitor.visit_enum(Variant { watch: self, name, held, of })
    }
    fn deserialize_any<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        let keys = self.value.as_object().map(|o| o.keys().cloned().collect()).unwrap_or_default();
        self.node.borrow_mut().any.push(keys);
        self.value.deserialize_any(visitor).map_err(Error::custom)
    }
    fn deserialize_unit<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        self.node.borrow_mut().null = true;
        visitor.visit_unit()
    }
    fn deserialize_ignored_any<V: Visitor<'a>>(self, visitor: V) -> Result<V::Value, Error> {
        visitor.visit_unit()
    }

    serde::forward_to_deserialize_any! {
        <V: Visitor<'a>>
        i8 i16 i32 i64 f32 bytes byte_buf unit_struct tuple_struct
    }
}
