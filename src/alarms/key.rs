//! Which alarm it is, and the numbers behind it.

use std::borrow::Cow;

use crate::alarms::Kind;
use crate::model::Id;

/// Names one alarm.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
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
