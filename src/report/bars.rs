//! Small bars: a number found against its limit and its target.
//!
//! What it does not: say anything that the words beside it do not say. Start reading at [`limit_bar`].

use maud::{Markup, html};

use crate::trial::result::LimitResult;

/// How far beyond its limit a bar reaches, as a share of the limit.
const REACH: f64 = 1.5;

/// A bar from 0 to the number found, with a line at the limit and a short one at the target, the allowed stretch shaded;
/// nothing when there is no number or the limit is not a single positive one.
pub fn limit_bar(limit: &LimitResult) -> Markup {
    let (Some(value), Some(bound)) = (limit.found.value, limit.max.or(limit.min)) else {
        return html! {};
    };
    if bound <= 0.0 || !value.is_finite() || (limit.max.is_some() && limit.min.is_some()) {
        return html! {};
    }
    let farthest = limit.target.unwrap_or(bound).max(bound) * REACH;
    let percent = |number: f64| format!("{:.1}%", (100.0 * number / farthest).clamp(0.0, 100.0));
    let beyond = farthest < value;
    let room = match limit.max {
        Some(max) => format!("left:0;width:{}", percent(max)),
        None => format!("right:0;left:{}", percent(bound)),
    };
    html! {
        span.bar aria-hidden="true" {
            span.room style=(room) {}
            span.fill.held[limit.held].missed[!limit.held].cut[beyond] style=(format!("width:{}", percent(value))) {}
            @if let Some(target) = limit.target {
                span.goal style=(format!("left:{}", percent(target))) {}
            }
            span.bound style=(format!("left:{}", percent(bound))) {}
        }
    }
}

/// A bar of what was used of an allowance.
pub fn use_bar(used: f64, allowed: f64, broken: bool) -> Markup {
    if !(0.0 < allowed && used.is_finite()) {
        return html! {};
    }
    let percent = format!("width:{:.1}%", (100.0 * used / allowed).clamp(0.0, 100.0));
    html! {
        span.bar.share aria-hidden="true" {
            span.fill.held[!broken].missed[broken] style=(percent) {}
        }
    }
}
