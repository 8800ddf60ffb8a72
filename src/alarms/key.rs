//! Which alarm it is, how it is just now, and the numbers behind it.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::{Kind, State};
use crate::model::Id;

/// Names one alarm.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct AlarmKey {
    pub site: Id,
    pub kind: Kind,
    /// A bed, tank, sensor or gateway id, or the site's own.
    pub place: Id,
}

/// The place of the daemon's own alarms.
pub const SYSTEM_PLACE: &str = "trug";

/// The place as people say it.
pub(crate) const SYSTEM_NAME: &str = "Trug";

/// Named numbers, in the order to show. Names that come from the store are owned.
pub type Values = Vec<(Cow<'static, str>, f64)>;

/// An alarm as it stands now.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmSnapshot {
    pub state: State,
    /// When the condition began.
    pub since: Timestamp,
    pub text: String,
    pub source: String,
}
