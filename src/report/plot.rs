//! Charts as HTML and SVG: a stretched picture with strokes that do not stretch, and every text as HTML beside it.
//!
//! So a chart fills a phone and a wide screen alike, its letters keep their size, and colours come from the page's
//! style sheet. What it does not: decide what is drawn (see `window_plot.rs`, `loop_plot.rs`). Start reading at
//! [`Chart`].

use maud::{Markup, PreEscaped, html};

use super::axis::{Axis, Tick};
use super::trace::{path, stairs, thinned};

/// Units of the picture across.
const ACROSS: f64 = 1200.0;
/// Units of the picture down.
const DOWN: f64 = 1000.0;

/// Below this length an arrow has no room for heads, nor for words beside it.
const SHORT_ARROW_PX: f64 = 24.0;

/// What something in a chart stands for; the style sheet gives each its colour, dash and width.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The unchanged machine: a solid line, a full dot.
    Nominal,
    /// A corner: a dashed line, a ring.
    Corner,
    /// The setpoint: a thin line.
    Setpoint,
    /// A limit: a dotted line or a hatched edge.
    Limit,
    /// Where full marks begin.
    Target,
    /// Something that happened.
    Happening,
    /// A line of reference, such as 0 dB.
    Reference,
}

impl Role {
    /// The class in the style sheet.
    #[must_use]
    pub fn class(self) -> &'static str {
        match self {
            Self::Nominal => "nominal",
            Self::Corner => "corner",
            Self::Setpoint => "setpoint",
            Self::Limit => "limit",
            Self::Target => "target",
            Self::Happening => "happening",
            Self::Reference => "reference",
        }
    }
}

/// A curve, already a path.
#[derive(Clone, Debug)]
pub struct Trace {
    role: Role,
    path: String,
}

/// A straight line between two points, with words at its place.
#[derive(Clone, Debug)]
pub struct Rule {
    /// What it stands for.
    pub role: Role,
    /// First point, in numbers of the axes.
    pub from: (f64, f64),
    /// Second point.
    pub to: (f64, f64),
    /// Words beside it; empty for none.
    pub words: String,
    /// Whether arrow heads stand at both ends of a vertical line.
    pub arrows: bool,
    /// Whether the words of a line that is not level stand left of it.
    pub words_left: bool,
}

/// A filled rectangle.
#[derive(Clone, Debug)]
pub struct Band {
    /// What it stands for.
    pub role: Role,
    /// From and to across, in numbers of the axis.
    pub x: (f64, f64),
    /// From and to upwards.
    pub y: (f64, f64),
}

/// A marked point.
#[derive(Clone, Copy, Debug)]
pub struct Dot {
    /// What it stands for.
    pub role: Role,
    /// Place, in numbers of the axes.
    pub at: (f64, f64),
}

/// A line of the key: a sample of the stroke and what it means.
#[derive(Clone, Debug)]
pub struct KeyLine {
    /// What it stands for.
    pub role: Role,
    /// The sample.
    pub sample: Sample,
    /// The words.
    pub words: String,
}

/// What a key shows beside its words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sample {
    /// A piece of line.
    Line,
    /// A dot or ring.
    Dot,
    /// A piece of a filled area.
    Area,
}

/// One chart.
#[derive(Clone, Debug)]
pub struct Chart {
    /// Heading of the chart; also read to those who cannot see it.
    pub title: String,
    /// What can be seen, in sentences, for those who cannot.
    pub description: String,
    /// The axis across and its name with unit.
    pub x: (Axis, String),
    /// The axis upwards and its name with unit.
    pub y: (Axis, String),
    /// Ticks across.
    pub x_ticks: Vec<Tick>,
    /// Ticks upwards.
    pub y_ticks: Vec<Tick>,
    /// Height of the picture in CSS pixels.
    pub height_px: u32,
    /// Whether curves are thin, as suits noise.
    pub thin: bool,
    /// Filled areas, drawn first.
    pub bands: Vec<Band>,
    /// Straight lines, drawn over the curves; those of reference under them.
    pub rules: Vec<Rule>,
    /// Curves.
    pub traces: Vec<Trace>,
    /// Marked points, drawn last.
    pub dots: Vec<Dot>,
    /// The key.
    pub key: Vec<KeyLine>,
}

impl Chart {
    /// An empty chart of a height in CSS pixels, with a tick upwards about every 35 of them.
    #[must_use]
    pub fn new(title: String, height_px: u32, x: (Axis, String), y: (Axis, String)) -> Self {
        let (x_ticks, y_ticks) = (x.0.ticks(10), y.0.ticks(height_px as usize / 35));
        Self {
            title,
            description: String::new(),
            x,
            y,
            x_ticks,
            y_ticks,
            height_px,
            thin: false,
            bands: vec![],
            rules: vec![],
            traces: vec![],
            dots: vec![],
            key: vec![],
        }
    }

    /// Adds samples at even distances as a curve, thinned to `columns`, and its line in the key.
    pub fn add_samples(&mut self, role: Role, samples: &Samples, columns: usize, words: &str) {
        let kept = thinned(samples.values, columns);
        let points = kept.into_iter().map(|place| self.unit((samples.x(place), samples.values[place])));
        let path = if role == Role::Setpoint { stairs(points) } else { path(points) };
        self.add_path(role, path, words);
    }

    /// Adds points as a curve and its line in the key.
    pub fn add_points(&mut self, role: Role, points: &[(f64, f64)], words: &str) {
        let path = path(points.iter().filter(|point| is_finite(**point)).map(|point| self.unit(*point)));
        self.add_path(role, path, words);
    }

    fn add_path(&mut self, role: Role, path: String, words: &str) {
        if !path.is_empty() {
            self.traces.push(Trace { role, path });
            self.add_key(role, Sample::Line, words);
        }
    }

    /// Adds a line to the key unless it stands there already.
    pub fn add_key(&mut self, role: Role, sample: Sample, words: &str) {
        if !self.key.iter().any(|line| line.words == words && line.role == role) {
            self.key.push(KeyLine { role, sample, words: words.to_owned() });
        }
    }

    /// Adds a line across the whole chart.
    pub fn add_level(&mut self, role: Role, y: f64, words: &str) {
        let (from, to) = ((self.x.0.low, y), (self.x.0.high, y));
        self.rules.push(Rule { role, from, to, words: words.to_owned(), arrows: false, words_left: false });
    }

    /// Adds a line from bottom to top.
    pub fn add_moment(&mut self, role: Role, x: f64, words: &str) {
        let (from, to) = ((x, self.y.0.low), (x, self.y.0.high));
        let words_left = 0.62 < self.x.0.place_frac(x);
        self.rules.push(Rule { role, from, to, words: words.to_owned(), arrows: false, words_left });
    }

    /// The chart as markup.
    #[must_use]
    pub fn markup(&self) -> Markup {
        html! {
            figure.chart {
                figcaption { (self.title) }
                div.plot {
                    div.y-name { (self.y.1) }
                    div.area style=(format!("height:{}px", self.height_px)) {
                        div.y-ticks aria-hidden="true" { @for tick in &self.y_ticks { (y_label(tick)) } }
                        (self.picture())
                        @for rule in self.drawn_rules() { (self.rule_words(rule)) }
                    }
                    div.x-ticks aria-hidden="true" { @for tick in &self.x_ticks { (x_label(tick)) } }
                    div.x-name { (self.x.1) }
                }
                @if !self.key.is_empty() {
                    ul.key { @for line in &self.key { li { (sample(line)) span { (line.words) } } } }
                }
            }
        }
    }

    /// The lines that have a place: a level taken from a run that is not finite has none.
    fn drawn_rules(&self) -> impl Iterator<Item = &Rule> {
        self.rules.iter().filter(|rule| is_finite(rule.from) && is_finite(rule.to))
    }

    fn picture(&self) -> Markup {
        html! {
            svg role="img" viewBox=(format!("0 0 {ACROSS} {DOWN}")) preserveAspectRatio="none" {
                title { (self.title) }
                desc { (self.description) }
                (self.grid())
                @for band in self.bands.iter().filter(|band| is_finite(band.x) && is_finite(band.y)) { (self.band(band)) }
                @for rule in self.drawn_rules().filter(|rule| rule.role == Role::Reference) { (self.rule(rule)) }
                @for trace in &self.traces {
                    path.trace.thin[self.thin].(trace.role.class()) d=(trace.path) {}
                }
                @for rule in self.drawn_rules().filter(|rule| rule.role != Role::Reference) { (self.rule(rule)) }
                @for dot in self.dots.iter().filter(|dot| is_finite(dot.at)) { (self.dot(dot)) }
            }
        }
    }

    fn grid(&self) -> Markup {
        let (mut fine, mut coarse) = (String::new(), String::new());
        for tick in &self.x_ticks {
            let into = if tick.label.is_some() { &mut coarse } else { &mut fine };
            into.push_str(&format!("M{:.0} 0v{DOWN}", tick.place_frac * ACROSS));
        }
        for tick in &self.y_ticks {
            coarse.push_str(&format!("M0 {:.0}h{ACROSS}", (1.0 - tick.place_frac) * DOWN));
        }
        html! {
            @if !fine.is_empty() { path.grid.fine d=(fine) {} }
            path.grid d=(coarse) {}
        }
    }

    fn band(&self, band: &Band) -> Markup {
        let (left, bottom) = self.unit((band.x.0, band.y.0));
        let (right, top) = self.unit((band.x.1, band.y.1));
        let (left, right) = (left.clamp(0.0, ACROSS), right.clamp(0.0, ACROSS));
        let (top, bottom) = (top.clamp(0.0, DOWN), bottom.clamp(0.0, DOWN));
        html! {
            rect.band.(band.role.class()) x=(whole(left)) y=(whole(top)) width=(whole(right - left))
                height=(whole(bottom - top)) {}
        }
    }

    fn rule(&self, rule: &Rule) -> Markup {
        let line = path([self.unit(rule.from), self.unit(rule.to)]);
        html! { path.rule.span[rule.arrows].(rule.role.class()) d=(line) {} }
    }

    fn dot(&self, dot: &Dot) -> Markup {
        let (x, y) = self.unit(dot.at);
        let place = format!("M{x:.0} {y:.0}h0");
        html! {
            path.dot.(dot.role.class()) d=(place) {}
            path.dot-heart.(dot.role.class()) d=(place) {}
        }
    }

    /// Words and arrow heads of a line: HTML over the picture, where they keep their shape.
    fn rule_words(&self, rule: &Rule) -> Markup {
        let (from, to) = (self.percent(rule.from), self.percent(rule.to));
        let inside = |(x, y): (f64, f64)| (0.0..=100.0).contains(&x) && (0.0..=100.0).contains(&y);
        let short = (to.1 - from.1).abs() / 100.0 * f64::from(self.height_px) < SHORT_ARROW_PX;
        html! {
            @if !rule.words.is_empty() && (inside(from) || inside(to)) {
                span.words.(rule.role.class()).(side(rule, from, short)) style=(words_place(rule, from, to, short)) {
                    (rule.words)
                }
            }
            @if rule.arrows && !short {
                @for (head, (x, y)) in heads(from, to) {
                    @if inside((x, y)) {
                        span.head.(head).(rule.role.class()) style=(format!("left:{x:.2}%;top:{y:.2}%")) {}
                    }
                }
            }
        }
    }

    fn unit(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let far = |units: f64| units.clamp(-20.0 * DOWN, 20.0 * DOWN);
        (far(self.x.0.place_frac(x) * ACROSS), far((1.0 - self.y.0.place_frac(y)) * DOWN))
    }

    fn percent(&self, point: (f64, f64)) -> (f64, f64) {
        (100.0 * self.x.0.place_frac(point.0), 100.0 * (1.0 - self.y.0.place_frac(point.1)))
    }
}

/// Samples at even distances along x.
#[derive(Clone, Copy, Debug)]
pub struct Samples<'a> {
    /// x of the first.
    pub first_x: f64,
    /// Distance between two.
    pub step_x: f64,
    /// The samples.
    pub values: &'a [f64],
}

impl Samples<'_> {
    fn x(&self, place: usize) -> f64 {
        self.first_x + place as f64 * self.step_x
    }
}

fn is_finite((x, y): (f64, f64)) -> bool {
    x.is_finite() && y.is_finite()
}

fn whole(units: f64) -> String {
    format!("{units:.0}")
}

fn is_level(rule: &Rule) -> bool {
    rule.from.1 == rule.to.1
}

/// Words of a level stand at its right end, on the side away from the picture's centre where there is room; those of a
/// target in its middle, above it; of a moment beside it at the bottom; of an arrow beside its middle, or under it when
/// it is short.
fn side(rule: &Rule, from: (f64, f64), short: bool) -> &'static str {
    if !is_level(rule) {
        return match (rule.arrows && short, rule.words_left) {
            (true, _) => "under",
            (false, true) => "leftward",
            (false, false) => "rightward",
        };
    }
    if from.1 < 8.0 || (rule.role != Role::Target && (60.0..94.0).contains(&from.1)) { "below" } else { "above" }
}

fn words_place(rule: &Rule, from: (f64, f64), to: (f64, f64), short: bool) -> String {
    if is_level(rule) {
        let end = from.0.max(to.0).min(if rule.role == Role::Target { 70.0 } else { 100.0 });
        return format!("right:{:.2}%;top:{:.2}%", 100.0 - end, from.1);
    }
    let height = match (rule.arrows, short) {
        (true, true) => from.1.max(to.1),
        (true, false) => 0.5 * (from.1.clamp(0.0, 100.0) + to.1.clamp(0.0, 100.0)),
        (false, _) => 93.0,
    };
    format!("left:{:.2}%;top:{height:.2}%", from.0)
}

fn heads(from: (f64, f64), to: (f64, f64)) -> [(&'static str, (f64, f64)); 2] {
    if from.1 < to.1 { [("up", from), ("down", to)] } else { [("down", from), ("up", to)] }
}

fn y_label(tick: &Tick) -> Markup {
    html! {
        @if let Some(label) = &tick.label {
            span style=(format!("top:{:.2}%", 100.0 * (1.0 - tick.place_frac))) { (label) }
        }
    }
}

fn x_label(tick: &Tick) -> Markup {
    html! {
        @if let Some(label) = &tick.label {
            span style=(format!("left:{:.2}%", 100.0 * tick.place_frac)) { (label) }
        }
    }
}

fn sample(line: &KeyLine) -> Markup {
    let (class, shape) = match line.sample {
        Sample::Line => ("trace", "M1 7h26"),
        Sample::Dot => ("dot", "M14 7h0"),
        Sample::Area => ("band", "M1 2h26v10h-26z"),
    };
    html! {
        svg.sample aria-hidden="true" viewBox="0 0 28 14" width="28" height="14" {
            path.(class).(line.role.class()) d=(PreEscaped(shape)) {}
            @if line.sample == Sample::Dot { path.dot-heart.(line.role.class()) d=(PreEscaped(shape)) {} }
        }
    }
}
