// crude two-mass sim, temporary
use plantstand::plant::friction::Friction;
use plantstand::plant::load::LoadKind;
use plantstand::plant::train::{Initial, Parameters};

#[derive(Clone)]
pub struct Crude { p: Parameters, th: Vec<f64>, w: Vec<f64>, b: f64, t: f64, dt: f64, n: usize, pub strikes: u32, pub stuck: [bool;2] }
fn fric(f: &Friction, w: f64) -> (f64, f64) { match f { Friction::None => (0.,0.), Friction::Coulomb(c) => {
    let x = w / c.stribeck_rad_per_s; (c.kinetic_nm + (c.static_nm - c.kinetic_nm) * (-(x*x)).exp(), c.viscous_nms_per_rad) } } }
impl Crude {
    pub fn new(p: &Parameters, i: &Initial, hz: u32) -> Self { let n = (1.0/f64::from(hz)/4e-6).ceil() as usize; Self { p: p.clone(), th: i.angle_rad.clone(), w: i.speed_rad_per_s.clone(), b: i.gap_position_rad[0], t: 0., dt: 1.0/f64::from(hz)/n as f64, n, strikes: 0, stuck: [true;2] } }
    pub fn step(&mut self, torque: Option<f64>, clamp: bool, load: f64, resisting: f64) {
        let c = self.p.couplings[0].clone(); let r = c.ratio; let dt = self.dt;
        let (j1, j2) = (self.p.nodes[0].inertia_kgm2, self.p.nodes[1].inertia_kgm2);
        for _ in 0..self.n {
            match torque { Some(u) => if self.p.torque_lag_s > 0. { self.t += dt/self.p.torque_lag_s*(u-self.t) } else { self.t = u }, None => self.t = 0. }
            let x = self.th[0]/r - self.th[1]; let v = self.w[0]/r - self.w[1];
            let (k, d, a) = (c.stiffness_nm_per_rad, c.damping_nms_per_rad, c.half_gap_rad);
            let mut bd = v + k/d*(x-self.b);
            if self.b <= -a { bd = bd.max(0.) } else if self.b >= a { bd = bd.min(0.) }
            if a == 0. { bd = 0. }
            let tc = k*(x-self.b) + d*(v-bd);
            self.b = (self.b + bd*dt).clamp(-a, a);
            let mut m1 = self.t - tc/r; let mut m2 = tc - load;
            for l in &self.p.loads { let q = match l.kind { LoadKind::Constant{torque_nm} => torque_nm, LoadKind::UnbalancedArm{peak_nm,zero_rad} => peak_nm*(self.th[l.node]-zero_rad).sin(), LoadKind::Resisting{..} => 0. }; if l.node==0 { m1 -= q } else { m2 -= q } }
            if let Some(s) = &self.p.stops { let th=self.th[1]; if th < s.low_rad { self.strikes+=1; m2 += s.stiffness_nm_per_rad*(s.low_rad-th) } if th > s.high_rad { self.strikes+=1; m2 -= s.stiffness_nm_per_rad*(th-s.high_rad) } }
            for (i, (m, j)) in [(m1,j1),(m2,j2)].into_iter().enumerate() {
                let (mut f, b) = fric(&self.p.nodes[i].friction, self.w[i]); if i==1 { f += resisting }
                let free = self.w[i] + dt*(m - b*self.w[i])/j;
                let lim = dt*f/j;
                self.w[i] = if free.abs() <= lim { 0. } else { free - lim*free.signum() };
            }
            if clamp { self.w[0] = 0. }
            for i in 0..2 { self.th[i] += dt*self.w[i] }
        }
    }
    pub fn angle(&self, n: usize) -> f64 { self.th[n] } pub fn speed(&self, n: usize) -> f64 { self.w[n] }
}
