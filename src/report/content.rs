//! What a report says, independent of how it looks.

use crate::store::{DeliveryRecord, EventRecord};
use crate::units::Seconds;

/// Everything on a page.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReportContent {
    /// Name of the recording, as its heading.
    pub title: String,
    /// The deliveries in order of time.
    pub deliveries: Vec<DeliveryContent>,
}

/// One delivery on a page.
#[derive(Clone, Debug, PartialEq)]
pub struct DeliveryContent {
    /// What was measured.
    pub record: DeliveryRecord,
    /// Figures over time.
    pub curves: Curves,
    /// Pictures of key moments, in order of time.
    pub pictures: Vec<KeyPicture>,
}

/// Figures over time, all at the same instants.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curves {
    /// Instants, on the clock of the events.
    pub times: Vec<Seconds>,
    /// The figures; ids that no chart knows are left out.
    pub series: Vec<Curve>,
}

/// One figure over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Identifier, as [`crate::kinematics`] names it.
    pub id: String,
    /// Unit of the values.
    pub unit: String,
    /// One per instant; `None` where it is unknown.
    pub values: Vec<Option<f64>>,
}

/// A picture of a key moment.
#[derive(Clone, Debug, PartialEq)]
pub struct KeyPicture {
    /// Name of its event, as `delivery.json` has it; another text stands as it is.
    pub event: String,
    /// Which phone took it, for instance `left phone`.
    pub view: String,
    /// The picture as the bytes of a PNG file.
    pub png: Vec<u8>,
}

impl DeliveryContent {
    /// The instant from which times are counted on the page: release, else contact.
    #[must_use]
    pub fn zero(&self) -> Option<(&'static str, EventRecord)> {
        let events = &self.record.events;
        events
            .ball_release
            .map(|e| ("release", e))
            .or(events.foot_contact.map(|e| ("foot contact", e)))
    }
}
