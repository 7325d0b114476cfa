//! Which results a plan asks of a stage.

use crate::readings::measuring_stages;
use model::document::plan::{Plan, Stage};
use model::pitch::ControlLaw;
use model::result::{Choice, Laws, Measuring, ResultName};

/// A measuring stage and what is asked of it.
pub(crate) struct AskedStage<'a> {
    pub(crate) index: u16,
    pub(crate) stage: &'a Stage,
    /// How many measuring stages before it have the same name.
    pub(crate) ordinal: usize,
    pub(crate) results: Vec<Asked>,
}

/// A result that is asked of a stage.
pub(crate) struct Asked {
    pub(crate) name: ResultName,
    pub(crate) choice: Choice,
    /// The tolerances on it, counted from 0 in the plan.
    pub(crate) tolerances: Vec<usize>,
}

/// What a plan asks of a unit under a control law; the outcomes of a unit are in this
/// order. A result is there once for each choice that is made in it.
pub(crate) fn asked(plan: &Plan, law: ControlLaw) -> Vec<AskedStage<'_>> {
    let mut stages: Vec<AskedStage<'_>> = Vec::new();
    for (index, stage) in measuring_stages(plan) {
        let ordinal = stages
            .iter()
            .filter(|other| other.stage.name() == stage.name())
            .count();
        let mut results: Vec<Asked> = Vec::new();
        for name in ResultName::ALL {
            if gives(stage, name) && concerns(law, name) {
                results.push(Asked {
                    name,
                    choice: Choice::USUAL,
                    tolerances: Vec::new(),
                });
            }
            // Of two stages of one name the first is meant.
            let here = plan.tolerances.iter().enumerate().filter(|(_, tolerance)| {
                ordinal == 0 && tolerance.of == stage.name() && tolerance.result == name
            });
            for (number, tolerance) in here {
                let choice = Choice::of(tolerance, plan, law);
                let same = results
                    .iter_mut()
                    .find(|asked| asked.name == name && asked.choice == choice);
                match same {
                    Some(asked) => asked.tolerances.push(number),
                    None => results.push(Asked {
                        name,
                        choice,
                        tolerances: vec![number],
                    }),
                }
            }
        }
        stages.push(AskedStage {
            index,
            stage,
            ordinal,
            results,
        });
    }
    stages
}

/// Whether a result means anything under a control law; what does not is not listed
/// unless a tolerance asks for it.
fn concerns(law: ControlLaw, name: ResultName) -> bool {
    match name.row().under {
        Laws::All => true,
        Laws::VoltsPerOctave => matches!(law, ControlLaw::VoltsPerOctave { .. }),
        Laws::HertzPerVolt => matches!(law, ControlLaw::HertzPerVolt { .. }),
    }
}

/// Whether a stage gives a result without a tolerance that asks for it.
fn gives(stage: &Stage, name: ResultName) -> bool {
    let kind = match stage {
        Stage::Rounds(_) => Measuring::Rounds,
        Stage::Sweep(_) => Measuring::Sweep,
        Stage::Alternate(_) => Measuring::Alternate,
        Stage::Hold(_) => Measuring::Hold,
        _ => return false,
    };
    name.row().given_by.contains(&kind)
}
