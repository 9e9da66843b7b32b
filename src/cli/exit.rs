//! How a run ended, and the one place that turns it into an exit code.

use crate::check::CheckError;
use crate::verdict::{Outcome, Verdict};

/// A run that gave an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// Measured; within, if a tolerance was given.
    Good,
    /// Measured, but outside or undecided, or one of several photos failed.
    Doubt,
}

impl Ending {
    /// Of one measured photo.
    pub fn of(verdict: Option<&Verdict>) -> Ending {
        match verdict.map(|verdict| verdict.result) {
            None | Some(Outcome::Within) => Ending::Good,
            Some(Outcome::Outside | Outcome::Undecided) => Ending::Doubt,
        }
    }
}

/// A run that gave none. Each displays as one line.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// An option, or a combination of them, that can't be.
    #[error("{0}")]
    Usage(String),
    /// A photo, card layout, lens or other file that can't be used.
    #[error("{0}")]
    Input(String),
    /// A photo that can't be measured.
    #[error("{photo}: {reason}")]
    Photo {
        /// The photo as given.
        photo: String,
        /// Why not.
        reason: CheckError,
    },
    /// The answer could not be written.
    #[error("{0}")]
    Output(String),
    /// Ctrl-C.
    #[error("Stopped; nothing was written.")]
    Stopped,
}

/// The exit code of a run. A shell's own code for an interrupted program is 130.
pub fn code(ending: &Result<Ending, Failure>) -> u8 {
    match ending {
        Ok(Ending::Good) => 0,
        Ok(Ending::Doubt) => 1,
        Err(Failure::Usage(_) | Failure::Output(_)) => 2,
        Err(Failure::Input(_) | Failure::Photo { .. }) => 3,
        Err(Failure::Stopped) => 130,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_within_is_good() {
        let check = |result, expected| {
            let verdict = Verdict {
                tol_mm: 0.5,
                result,
                why: String::new(),
            };
            assert_eq!(code(&Ok(Ending::of(Some(&verdict)))), expected);
        };
        check(Outcome::Within, 0);
        check(Outcome::Outside, 1);
        check(Outcome::Undecided, 1);
        assert_eq!(code(&Ok(Ending::of(None))), 0);
    }
}
