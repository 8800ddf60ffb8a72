//! Who may read and who may change something.

/// What a visitor may do; every request carries one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Visitor {
    pub may_read: bool,
    /// Whether changes are taken from this visitor: the password was given.
    pub may_change: bool,
    /// What each form that changes something sends along; `None` without a session.
    pub form_token: Option<String>,
}
