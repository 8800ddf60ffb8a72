//! The steps to a figure as they are kept of each bed for weeks: an equation of the program's
//! own by its number, so that its words are not held a hundred thousand times.

use std::sync::LazyLock;

use crate::why::{Equation, Step, Why};

/// The steps to a figure in little room.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct KeptWhy(Box<[KeptStep]>);

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
enum KeptStep {
    /// The equation's number, and what was put in.
    Of(u16, Box<str>),
    /// It is no equation as it stands in the list.
    Whole(Box<Step>),
}

/// The equations of wettings: others are kept whole.
static NUMBERED: LazyLock<Vec<Equation>> =
    LazyLock::new(|| [crate::watering::EQUATIONS, crate::rain::EQUATIONS].concat());

impl KeptWhy {
    /// Whether what was read of it can be one.
    pub(crate) fn is_sound(&self) -> bool {
        self.0.iter().all(|step| match step {
            KeptStep::Of(number, _) => usize::from(*number) < NUMBERED.len(),
            KeptStep::Whole(_) => true,
        })
    }

    /// The steps as they were.
    pub(crate) fn steps(&self) -> Why {
        let step = |kept: &KeptStep| match kept {
            KeptStep::Of(number, with) => {
                NUMBERED.get(usize::from(*number)).map(|it| it.step(with.to_string()))
            }
            KeptStep::Whole(step) => Some(Step::clone(step)),
        };
        self.0.iter().filter_map(step).collect()
    }
}

impl From<Why> for KeptWhy {
    fn from(why: Why) -> Self {
        let kept = |step: Step| {
            let number = NUMBERED
                .iter()
                .position(|it| it.form == step.form && it.gives == step.gives)
                .filter(|number| NUMBERED[*number].step(step.with.clone()) == step)
                .and_then(|number| u16::try_from(number).ok());
            match number {
                Some(number) => KeptStep::Of(number, step.with.into()),
                None => KeptStep::Whole(Box::new(step)),
            }
        };
        Self(why.into_iter().map(kept).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_step_comes_back_as_it_was() {
        let mut why: Why = NUMBERED.iter().map(|it| it.step(format!("1 + 1 = 2 {}", it.gives))).collect();
        why.push(Step { source: "somewhere else".into(), ..why[0].clone() });
        why.push(Step { gives: "nothing".into(), form: "x = y".into(), ..why[1].clone() });
        let kept = KeptWhy::from(why.clone());
        assert!(kept.is_sound());
        assert_eq!(kept.steps(), why);
        let whole = kept.0.iter().filter(|it| matches!(it, KeptStep::Whole(_))).count();
        assert_eq!(whole, 2, "the program's own are kept by their numbers");
    }
}
