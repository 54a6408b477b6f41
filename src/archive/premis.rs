//! A preservation record: PREMIS 3.0 (Library of Congress, schema of 18 January 2016) as XML.
//!
//! Words of relationships and roles are those of the Library's vocabularies (id.loc.gov, from memory): `derivation` /
//! `has source`, `structural` / `is part of`; `source` and `outcome` for objects of an event.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event as Xml};

use crate::export::names::printable;

const NAMESPACE: &str = "http://www.loc.gov/premis/v3";
const INSTANCE: &str = "http://www.w3.org/2001/XMLSchema-instance";
/// Kind of all identifiers here: they mean something within this record.
const LOCAL: &str = "local";

/// What the record speaks of.
#[derive(Clone, Debug)]
pub struct Object {
    pub id: String,
    pub category: Category,
    pub original_name: Option<String>,
    /// Name and value.
    pub properties: Vec<(&'static str, String)>,
    pub relationships: Vec<Relationship>,
}

#[derive(Clone, Debug)]
pub enum Category {
    /// The thing itself: a tape side.
    Entity,
    /// Files that together are one program.
    Representation,
    File {
        /// Path in the bag; `None` if only its hash is kept.
        path: Option<String>,
        bytes: Option<u64>,
        /// Algorithm and digest.
        digests: Vec<(&'static str, String)>,
        format: String,
    },
}

#[derive(Clone, Debug)]
pub struct Relationship {
    pub kind: &'static str,
    pub sub: &'static str,
    pub objects: Vec<String>,
    /// The event that brought it about.
    pub event: Option<String>,
}

impl Relationship {
    pub fn has_source(objects: Vec<String>, event: impl Into<String>) -> Relationship {
        Relationship { kind: "derivation", sub: "has source", objects, event: Some(event.into()) }
    }

    pub fn is_part_of(object: impl Into<String>) -> Relationship {
        Relationship { kind: "structural", sub: "is part of", objects: vec![object.into()], event: None }
    }
}

/// What happened to objects.
#[derive(Clone, Debug)]
pub struct Event {
    pub id: String,
    pub kind: &'static str,
    /// ISO 8601; [`UNKNOWN_DATE`] if nothing says when.
    pub date: String,
    pub detail: String,
    pub outcome: String,
    pub notes: Vec<String>,
    pub agents: Vec<(String, &'static str)>,
    pub objects: Vec<(String, &'static str)>,
}

/// A year of which no digit is known (ISO 8601-2:2019, extended date/time format, level 1; from memory).
pub const UNKNOWN_DATE: &str = "XXXX";

/// Who did it.
#[derive(Clone, Debug)]
pub struct Agent {
    pub id: String,
    pub name: String,
    pub kind: &'static str,
    pub version: Option<String>,
    pub notes: Vec<String>,
}

/// The whole record. The order of elements is the schema's.
pub fn record(objects: &[Object], events: &[Event], agents: &[Agent]) -> io::Result<Vec<u8>> {
    let mut out = Out(Writer::new_with_indent(Vec::new(), b' ', 2));
    out.0.write_event(Xml::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let root = [("xmlns", NAMESPACE), ("xmlns:xsi", INSTANCE), ("version", "3.0")];
    out.within("premis", &root, |out| {
        objects.iter().try_for_each(|object| out.object(object))?;
        events.iter().try_for_each(|event| out.event(event))?;
        agents.iter().try_for_each(|agent| out.agent(agent))
    })?;
    let mut bytes = out.0.into_inner();
    bytes.push(b'\n');
    Ok(bytes)
}

struct Out(Writer<Vec<u8>>);

impl Out {
    fn object(&mut self, object: &Object) -> io::Result<()> {
        let kind = match object.category {
            Category::Entity => "intellectualEntity",
            Category::Representation => "representation",
            Category::File { .. } => "file",
        };
        self.within("object", &[("xsi:type", kind)], |out| {
            out.identifier("object", &object.id)?;
            for (name, value) in &object.properties {
                out.within("significantProperties", &[], |out| {
                    out.text("significantPropertiesType", name)?;
                    out.text("significantPropertiesValue", value)
                })?;
            }
            if let Category::File { bytes, digests, format, .. } = &object.category {
                out.characteristics(*bytes, digests, format)?;
            }
            if let Some(name) = &object.original_name {
                out.text("originalName", name)?;
            }
            if let Category::File { path, .. } = &object.category {
                out.within("storage", &[], |out| match path {
                    Some(path) => out.within("contentLocation", &[], |out| {
                        out.text("contentLocationType", "path in this bag")?;
                        out.text("contentLocationValue", path)
                    }),
                    None => out.text("storageMedium", "not in this bag"),
                })?;
            }
            object.relationships.iter().try_for_each(|r| out.relationship(r))
        })
    }

    fn characteristics(&mut self, bytes: Option<u64>, digests: &[(&str, String)], format: &str) -> io::Result<()> {
        self.within("objectCharacteristics", &[], |out| {
            out.text("compositionLevel", "0")?;
            for (algorithm, digest) in digests {
                out.within("fixity", &[], |out| {
                    out.text("messageDigestAlgorithm", algorithm)?;
                    out.text("messageDigest", digest)
                })?;
            }
            if let Some(bytes) = bytes {
                out.text("size", &bytes.to_string())?;
            }
            out.within("format", &[], |out| out.within("formatDesignation", &[], |out| out.text("formatName", format)))
        })
    }

    fn relationship(&mut self, relationship: &Relationship) -> io::Result<()> {
        self.within("relationship", &[], |out| {
            out.text("relationshipType", relationship.kind)?;
            out.text("relationshipSubType", relationship.sub)?;
            for object in &relationship.objects {
                out.identifier("relatedObject", object)?;
            }
            relationship.event.iter().try_for_each(|event| out.identifier("relatedEvent", event))
        })
    }

    fn event(&mut self, event: &Event) -> io::Result<()> {
        self.within("event", &[], |out| {
            out.identifier("event", &event.id)?;
            out.text("eventType", event.kind)?;
            out.text("eventDateTime", &event.date)?;
            out.within("eventDetailInformation", &[], |out| out.text("eventDetail", &event.detail))?;
            out.within("eventOutcomeInformation", &[], |out| {
                out.text("eventOutcome", &event.outcome)?;
                event.notes.iter().try_for_each(|note| {
                    out.within("eventOutcomeDetail", &[], |out| out.text("eventOutcomeDetailNote", note))
                })
            })?;
            for (agent, role) in &event.agents {
                out.link("linkingAgent", agent, role)?;
            }
            event.objects.iter().try_for_each(|(object, role)| out.link("linkingObject", object, role))
        })
    }

    fn agent(&mut self, agent: &Agent) -> io::Result<()> {
        self.within("agent", &[], |out| {
            out.identifier("agent", &agent.id)?;
            out.text("agentName", &agent.name)?;
            out.text("agentType", agent.kind)?;
            if let Some(version) = &agent.version {
                out.text("agentVersion", version)?;
            }
            agent.notes.iter().try_for_each(|note| out.text("agentNote", note))
        })
    }

    fn identifier(&mut self, of: &str, value: &str) -> io::Result<()> {
        self.within(&format!("{of}Identifier"), &[], |out| {
            out.text(&format!("{of}IdentifierType"), LOCAL)?;
            out.text(&format!("{of}IdentifierValue"), value)
        })
    }

    fn link(&mut self, to: &str, value: &str, role: &str) -> io::Result<()> {
        self.within(&format!("{to}Identifier"), &[], |out| {
            out.text(&format!("{to}IdentifierType"), LOCAL)?;
            out.text(&format!("{to}IdentifierValue"), value)?;
            out.text(&format!("{to}Role"), role)
        })
    }

    fn within(
        &mut self,
        name: &str,
        attributes: &[(&str, &str)],
        inner: impl FnOnce(&mut Out) -> io::Result<()>,
    ) -> io::Result<()> {
        self.0.write_event(Xml::Start(BytesStart::new(name).with_attributes(attributes.iter().copied())))?;
        inner(self)?;
        self.0.write_event(Xml::End(BytesEnd::new(name)))
    }

    fn text(&mut self, name: &str, text: &str) -> io::Result<()> {
        self.0.write_event(Xml::Start(BytesStart::new(name)))?;
        self.0.write_event(Xml::Text(BytesText::new(&allowed(text))))?;
        self.0.write_event(Xml::End(BytesEnd::new(name)))
    }
}

/// XML 1.0 has no way to write most control characters, nor U+FFFE and U+FFFF, not even escaped (2.2): they are spelt
/// out. Invisible characters are too, so that two names that differ look different.
fn allowed(text: &str) -> String {
    printable(text).replace('\u{fffe}', "\\u{fffe}").replace('\u{ffff}', "\\u{ffff}")
}
