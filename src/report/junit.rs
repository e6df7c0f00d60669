//! A suite's result as JUnit XML, in the subset that CI servers read; `tools/schema/junit.xsd` describes it.
//!
//! There is no time of day and no duration in it: the same result gives the same bytes. What it does not: files. Start
//! reading at [`junit`].

use quick_junit::{NonSuccessKind, Report, SerializeError, TestCase, TestCaseStatus, TestSuite};

use super::figure::shown;
use super::suite_sheet::{move_sentence, where_frames_differ};
use crate::trial::suite_result::{Change, Move, RunResult, State, SuiteResult};

/// Measures of one run that are listed: a CI server shows the text as it is.
const MOST_MOVES: usize = 20;

/// The result as XML: a test case for each trial with each seed; red is a failure, void and unable are errors.
///
/// # Errors
/// What the XML writer says; writing into memory, it has no reason to.
pub fn junit(result: &SuiteResult) -> Result<String, SerializeError> {
    let title = shown(&result.title);
    let mut suite = TestSuite::new(title.as_str());
    suite.add_test_cases(result.runs.iter().map(|run| test_case(&title, run)));
    let mut report = Report::new("plantstand");
    report.add_test_suite(suite);
    report.to_string()
}

fn test_case(title: &str, run: &RunResult) -> TestCase {
    let status = match run.state {
        State::Same | State::Within => TestCaseStatus::success(),
        State::Red | State::New => failed(NonSuccessKind::Failure, run),
        State::Void | State::Unable => failed(NonSuccessKind::Error, run),
    };
    let mut case = TestCase::new(format!("{}, seed {}", shown(&run.trial), run.seed), status);
    case.set_classname(title);
    case
}

fn failed(kind: NonSuccessKind, run: &RunResult) -> TestCaseStatus {
    let mut status = TestCaseStatus::non_success(kind);
    let outside: Vec<&Move> = run.moves.iter().filter(|moved| moved.change != Change::Within).collect();
    let mut lines: Vec<String> = run.reasons.iter().map(|reason| shown(reason)).collect();
    lines.extend(where_frames_differ(run));
    lines.extend(outside.iter().take(MOST_MOVES).map(|moved| move_sentence(moved)));
    if MOST_MOVES < outside.len() {
        lines.push(format!("and {} more; --json has them all", outside.len() - MOST_MOVES));
    }
    status.set_type(run.state.word().to_lowercase());
    status.set_message(lines.first().cloned().unwrap_or_default());
    status.set_description(lines.join("\n"));
    status
}
