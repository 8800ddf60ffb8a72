//! Enumerations whose values have names.

/// Returns every value of an enumeration its name. A value without one does not compile.
macro_rules! names {
    ($type:ty { $($value:ident = $name:literal),+ $(,)? }) => {
        impl $type {
            /// Every value, in the order of the contract.
            pub const ALL: [Self; [$($name),+].len()] = [$(Self::$value),+];

            /// The name in files, tables, topics and commands.
            pub fn name(self) -> &'static str {
                match self {
                    $(Self::$value => $name),+
                }
            }

            /// The value of a name, if there is one.
            pub fn from_name(name: &str) -> Option<Self> {
                Self::ALL.into_iter().find(|value| value.name() == name)
            }
        }
    };
}

pub(crate) use names;
