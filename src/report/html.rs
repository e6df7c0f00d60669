//! The report: one HTML page that needs nothing else.
//!
//! No request leaves it: style and pictures are inside, there is no script, and its own policy forbids the browser to
//! fetch anything. Light, dark, on paper and on a phone. What it does not: interaction beyond folds. Start reading at
//! [`page`].

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::figure::{figure, shown};
use super::{Pictures, chapters, finding, loop_plot, tables, timing, window_plot};
use crate::trial::result::{Reason, TrialResult, Verdict};

const STYLE: &str = include_str!("page.css");

/// What the page lets a browser fetch: nothing.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// Further reasons that are shown unfolded.
const MOST_REASONS: usize = 4;

/// The whole page.
#[must_use]
pub fn page(result: &TrialResult, pictures: &Pictures) -> String {
    let title = shown(&result.scenario.title);
    let word = finding::verdict_word(result.verdict);
    let body = html! {
        (head(result))
        (contents())
        main {
            (chapter("limits", "Limits", &html! { (tables::limits(result)) (tables::other_measures(&result.measures)) }))
            (chapter("examination", "The examination", &window_plot::windows(result, pictures)))
            (chapter("loop", "The opened loop", &loop_plot::loops(result, pictures)))
            (chapter("settings", "Settings stored", &chapters::settings(result)))
            (chapter("conduct", "Conduct while tuning", &chapters::conduct(result, pictures)))
            (chapter("link", "The link", &chapters::link(result)))
            @if let Some(facts) = &result.timing {
                (chapter("timing", "The clock", &timing::chapter(facts, result.scenario.tick_hz)))
            }
            (chapter("definitions", "What the measures mean", &chapters::definitions(result)))
            (chapter("cautions", "Before you go to a machine", &chapters::cautions()))
            (chapter("repeat", "To repeat it", &chapters::repeat(result, pictures.replay_command.as_deref())))
        }
    };
    document(&format!("{word}: {title}"), &body)
}

/// A page round some content: head, style, policy.
pub(super) fn document(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    };
    page.into_string()
}

fn chapter(id: &str, heading: &str, content: &Markup) -> Markup {
    html! {
        section.chapter id=(id) aria-labelledby=(format!("{id}-heading")) {
            h2 id=(format!("{id}-heading")) { (heading) }
            (content)
        }
    }
}

fn contents() -> Markup {
    let places = [
        ("limits", "limits"),
        ("examination", "examination"),
        ("loop", "loop"),
        ("settings", "settings"),
        ("conduct", "conduct"),
        ("definitions", "definitions"),
        ("repeat", "repeat it"),
    ];
    html! { nav aria-label="on this page" { @for (id, words) in places { a href=(format!("#{id}")) { (words) } } } }
}

fn head(result: &TrialResult) -> Markup {
    let class = match result.verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::VoidMethod | Verdict::VoidBench => "void",
    };
    html! {
        header.(class) {
            div.stamp {
                span.word { (finding::verdict_word(result.verdict)) }
                @if let Some(grade) = result.grade_percent {
                    span.mark { (figure(grade)) span.of { " of 100" } }
                } @else { span.mark { "no grade" } }
            }
            div.story {
                p.who { "tuned by " b { (shown(&result.method.name)) } ", " (shown(&result.pace)) }
                h1 { (shown(&result.scenario.title)) }
                p.headline { (finding::headline(result)) }
                @if let Some(worst) = finding::worst_sentence(result) { p { (worst) } }
                (reasons(&result.reasons))
                p.about { (shown(&result.scenario.about)) }
            }
        }
    }
}

/// Further reasons: a few at once, many behind a fold, so that they do not bury the limits.
fn reasons(reasons: &[Reason]) -> Markup {
    let further = reasons.get(1..).unwrap_or_default();
    let list = html! { ul.reasons { @for reason in further { li { (finding::further_reason(reason)) } } } };
    html! {
        @if (1..=MOST_REASONS).contains(&further.len()) { (list) }
        @else if !further.is_empty() {
            details { summary { (further.len()) " further reasons" } (list) }
        }
    }
}
