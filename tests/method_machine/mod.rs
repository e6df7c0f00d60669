use plantstand::base::nameplate::Nameplate;
use plantstand::base::random::Stream;
use plantstand::base::recording::Recording;
use plantstand::base::signal::{Actuation, Feedback, Request};
use plantstand::base::time::TickRate;
use plantstand::base::units::{ARCMIN_RAD, DEG_RAD, RPM_RAD_PER_S, TURN_RAD};
use plantstand::drive::Drive;
use plantstand::drive::setting::{DefaultsFrom, Setting, Settings};
use plantstand::method::axis::{Axis, Facts, Stop};
use plantstand::plant::coupling::Coupling;
use plantstand::plant::friction::{Coulomb, Friction};
use plantstand::plant::load::{Load, LoadKind};
use plantstand::plant::sensor::{Sensor, SensorParameters};
use plantstand::plant::stops::Stops;
use plantstand::plant::train::{Initial, Node, Parameters};

mod crude;
use crude::Crude;

#[derive(Clone)]
pub struct Machine { pub name: &'static str, pub train: Parameters, pub sensor: SensorParameters, pub nameplate: Nameplate, pub settings: Settings, pub facts: Facts, pub start_rad: f64, pub clamped: bool, pub seed: u64 }

pub struct Bench { pub machine: Machine, pub plant: Crude, sensor: Sensor, pub drive: Drive, act: Actuation, pub ticks: u64, pub log: Vec<String>, pub echo: bool, pub max_speed: f64, pub span: [f64;2], pub path: f64, pub trips: u32, pub load_nm: f64, pub resisting_nm: f64 }
impl Bench {
    pub fn new(m: &Machine, seed: u64) -> Self {
        let i = Initial::at_rest(&m.train, m.start_rad);
        Self { machine: m.clone(), plant: Crude::new(&m.train, &i, m.facts.rate.hz), sensor: Sensor::new(&m.sensor, Stream::new(seed, "sensor"), i.angle_rad[0]), drive: Drive::new(m.facts.rate, m.nameplate, m.settings), act: Actuation::Off, ticks: 0, log: vec![], echo: false, max_speed: 0., span: [m.start_rad;2], path: 0., trips: 0, load_nm: 0., resisting_nm: 0. }
    }
    pub fn tick(&mut self, request: &Request) -> Feedback {
        let counts = self.sensor.sample(self.plant.angle(0));
        let (feedback, act) = self.drive.tick(counts, request);
        let (torque, clamp) = match self.act { Actuation::Off => (None, self.machine.clamped), Actuation::Torque { torque_nm } => (Some(torque_nm), false) };
        let before = self.plant.angle(1);
        self.plant.step(torque, clamp, self.load_nm, self.resisting_nm);
        self.act = act;
        let at = self.plant.angle(1);
        self.path += (at - before).abs(); self.span = [self.span[0].min(at), self.span[1].max(at)]; self.max_speed = self.max_speed.max(self.plant.speed(0).abs());
        if feedback.trip != 0 { self.trips += 1 }
        self.ticks += 1;
        feedback
    }
}
impl Axis for Bench {
    fn facts(&self) -> Facts { self.machine.facts }
    fn exchange(&mut self, requests: &[Request], feedback: &mut Vec<Feedback>) -> Result<(), Stop> {
        feedback.clear();
        let word = requests[requests.len()-1].controlword;
        for r in requests { let f = self.tick(&Request { controlword: word, ..*r }); feedback.push(f) }
        let last = *feedback.last().unwrap();
        for f in feedback.iter_mut() { f.statusword = last.statusword; f.trip = last.trip }
        Ok(())
    }
    fn read(&mut self, name: &str) -> Result<f64, Stop> { Ok(self.drive.read(Setting::from_name(name).expect(name))) }
    fn write(&mut self, name: &str, value: f64) -> Result<f64, Stop> { self.drive.write(Setting::from_name(name).expect(name), value).map_err(|e| Stop::because(format!("{e}"))) }
    fn store(&mut self) -> Result<(), Stop> { self.drive.store(); Ok(()) }
    fn log(&mut self, text: &str) -> Result<(), Stop> { assert!(text.len() <= 200, "{} bytes: {text}", text.len()); if self.echo { println!("  [{:6.2}] {text}", self.machine.facts.rate.seconds(self.ticks)) } self.log.push(text.into()); Ok(()) }
}

pub struct Build { pub j1: f64, pub j2: f64, pub k: f64, pub d: f64, pub ratio: f64, pub backlash_arcmin: f64, pub f1: [f64;4], pub f2: [f64;4], pub rated: f64, pub peak: f64, pub rated_rpm: f64, pub counts: f64, pub noise: f64, pub load: Option<LoadKind>, pub start_deg: f64, pub travel: Option<[f64;2]>, pub stops: Option<([f64;2], f64, f64)>, pub clamped: bool, pub max_rpm: f64, pub kp: f64, pub tn: f64, pub limit: f64, pub window: [f64;2], pub path: f64 }
fn coulomb(f: [f64;4]) -> Friction { Friction::Coulomb(Coulomb { kinetic_nm: f[0], static_nm: f[1], stribeck_rad_per_s: f[2]*RPM_RAD_PER_S, stribeck_exponent: 2., viscous_nms_per_rad: f[3] }) }
pub fn build(name: &'static str, b: &Build, seed: u64) -> Machine {
    let rate = TickRate { hz: 8000 };
    let train = Parameters { torque_lag_s: 1.9e-4, nodes: vec![Node { inertia_kgm2: b.j1, friction: coulomb(b.f1) }, Node { inertia_kgm2: b.j2, friction: coulomb(b.f2) }], couplings: vec![Coupling { ratio: b.ratio, stiffness_nm_per_rad: b.k, damping_nms_per_rad: b.d, half_gap_rad: b.backlash_arcmin*ARCMIN_RAD/2. }],
        stops: b.stops.map(|(a,k,d)| Stops { low_rad: a[0]*DEG_RAD, high_rad: a[1]*DEG_RAD, stiffness_nm_per_rad: k, damping_nms_per_rad: d }), loads: b.load.iter().map(|k| Load { node: 1, kind: *k }).collect() };
    let nameplate = Nameplate { rated_torque_nm: b.rated, peak_torque_nm: b.peak, rated_speed_rad_per_s: b.rated_rpm*RPM_RAD_PER_S, motor_inertia_kgm2: b.j1, counts_per_turn: b.counts, gear_ratio: b.ratio, angle_zero_counts: 0. };
    let mut settings = Settings::defaults(&DefaultsFrom { nameplate, max_speed_rad_per_s: b.max_rpm*RPM_RAD_PER_S, travel_rad: b.travel.map(|t| [t[0]*DEG_RAD, t[1]*DEG_RAD]) });
    settings.set(Setting::SpeedGain, b.kp); settings.set(Setting::SpeedResetTime, b.tn); settings.set(Setting::TorqueLimit, b.limit);
    Machine { name, train, sensor: SensorParameters { counts_per_turn: b.counts, noise_counts_rms: b.noise, latency_ticks: 1, sign: 1., offset_rad: 0. }, nameplate, settings,
        facts: Facts { rate, stride: 8, travel_deg: b.travel, window_deg: b.window, path_deg: b.path, max_speed_rad_per_s: b.max_rpm*RPM_RAD_PER_S, time_s: 60. }, start_rad: b.start_deg*DEG_RAD, clamped: b.clamped, seed }
}
pub fn roll() -> Build { Build { j1: 4.2e-4, j2: 3.4e-3, k: 260., d: 0.02, ratio: 1., backlash_arcmin: 0., f1: [0.04,0.05,12.,1.1e-4], f2: [0.25,0.38,8.,1e-3], rated: 4.1, peak: 12., rated_rpm: 3000., counts: 1048576., noise: 6., load: None, start_deg: 0., travel: None, stops: None, clamped: false, max_rpm: 900., kp: 0.05, tn: 0.2, limit: 8., window: [-720.,720.], path: 20000. } }
pub fn arm() -> Build { Build { j1: 0.9e-4, j2: 0.46, k: 9000., d: 2., ratio: 32., backlash_arcmin: 5., f1: [0.03,0.04,15.,5e-5], f2: [1.2,1.8,0.5,0.5], rated: 1.3, peak: 4., rated_rpm: 4000., counts: 131072., noise: 0.6, load: Some(LoadKind::UnbalancedArm { peak_nm: 12., zero_rad: 0. }), start_deg: -70., travel: Some([-110.,110.]), stops: Some(([-120.,120.],20000.,60.)), clamped: true, max_rpm: 1200., kp: 0.01, tn: 0.3, limit: 3.6, window: [-100.,100.], path: 4000. } }
pub fn gate() -> Build { Build { j1: 1.6e-4, j2: 1.1e-4, k: 600., d: 0.01, ratio: 1., backlash_arcmin: 0., f1: [0.03,0.04,12.,6e-5], f2: [0.22,0.36,20.,4e-4], rated: 2.2, peak: 6.5, rated_rpm: 3000., counts: 1048576., noise: 6., load: Some(LoadKind::Constant { torque_nm: 0.45 }), start_deg: 0., travel: Some([-360.,12000.]), stops: Some(([-540.,12180.],300.,0.1)), clamped: true, max_rpm: 2200., kp: 0.01, tn: 0.2, limit: 5.5, window: [-180.,11000.], path: 120000. } }

pub fn report(b: &Bench) -> String { let deg = |x: f64| x/DEG_RAD; format!("time {:.1} s path {:.0} of {} span {:.1}..{:.1} window {:?} max {:.0} rpm strikes {} trips {}", b.machine.facts.rate.seconds(b.ticks), deg(b.path), b.machine.facts.path_deg, deg(b.span[0]), deg(b.span[1]), b.machine.facts.window_deg, b.max_speed/RPM_RAD_PER_S, b.plant.strikes, b.trips) }
#[allow(dead_code)] pub fn unused(_: Recording) -> f64 { TURN_RAD }
