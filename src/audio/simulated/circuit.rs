//! From the open-circuit voltage to the volts that the lines in see: source, series resistor, load.
//!
//! ```text
//!  E ──[source_ohm]──[coupling]──●──[series_ohm]──●──[cable_ohm]── plug ──[load]── return
//!                                │                │
//!                           source side        witness         (each with its own input resistance)
//! ```
//!
//! Where everything is a resistance this is a plain factor. A reactive circuit is stepped sample by sample: every
//! element becomes a resistance and a voltage remembered from the sample before (trapezoidal rule, so the bilinear
//! transform; a resonance keeps its own frequency and width exact), the loop is solved, and the current may be limited in it. What
//! the transform warps towards half the rate is put right by one short symmetric-length filter per voltage, fitted to the
//! closed form from 1 Hz to [`FITTED_TO`] of the rate; it costs [`HALF`] samples of delay. A limited current is thus
//! computed on the samples, not between them.

use super::bench::{BenchSpec, PluggedIn};
use super::clock::dot;
use realfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};

type C = Complex<f64>;

/// Taps of the filter on either side of its middle.
const HALF: usize = 32;
/// Highest share of the rate at which the filter is fitted (20.5 kHz at 44.1 kHz).
const FITTED_TO: f64 = 0.465;
/// Frequencies of the fit: so many steps evenly over frequency, and as many evenly over its logarithm.
const FIT_STEPS: usize = 400;
/// Keeps the fit's equations solvable: what lies above the fitted range is left free.
const RIDGE: f64 = 1e-9;

/// Volts at both lines in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Volts {
    /// Before the series resistor.
    pub source_side: f64,
    /// Across the load.
    pub load: f64,
}

/// What the open-circuit voltage drives.
#[derive(Clone, Debug)]
pub(super) enum Circuit {
    /// Nothing but resistances: shares of the open-circuit voltage.
    Resistive(Volts),
    /// Something with a memory.
    Reactive(Box<Reactive>),
}

impl Circuit {
    pub fn new(spec: &BenchSpec, rate_hz: f64) -> Circuit {
        if spec.is_resistive() {
            return Circuit::Resistive(shares(spec));
        }
        Circuit::Reactive(Box::new(Reactive::new(spec, rate_hz)))
    }

    /// Samples by which what comes out lags what went in.
    pub fn delay(&self) -> usize {
        match self {
            Circuit::Resistive(_) => 0,
            Circuit::Reactive(_) => HALF,
        }
    }

    #[inline]
    pub fn push(&mut self, open_v: f64) -> Volts {
        match self {
            Circuit::Resistive(share) => Volts { source_side: share.source_side * open_v, load: share.load * open_v },
            Circuit::Reactive(reactive) => reactive.push(open_v),
        }
    }
}

/// Shares of the open-circuit voltage where all is resistance.
fn shares(spec: &BenchSpec) -> Volts {
    let plain = |ohm: f64| C::new(ohm, 0.0);
    let [source_side, load] =
        transfer(spec, plain(spec.output.source_ohm), spec.load_resistance().map(plain)).map(|t| t.re);
    Volts { source_side, load }
}

/// Both voltages over the open-circuit one, for these impedances of source and load.
fn transfer(spec: &BenchSpec, source: C, load: Option<C>) -> [C; 2] {
    let one = C::new(1.0, 0.0);
    let input = spec.lines_in.input_ohm.map_or(0.0, f64::recip);
    // Thévenin's equivalent grows from the source to the load.
    let loaded = |v: C, z: C| {
        let by = one + z * input;
        (v / by, z / by)
    };
    let (v, z) = loaded(one, source);
    let (v, z) = loaded(v, z + spec.hookup.series_ohm);
    let across = load.map_or(v, |load| load / (z + load) * v);
    let current = load.map_or(one * 0.0, |load| v / (z + load)) + across * input;
    [across + current * spec.hookup.series_ohm, across]
}

/// One element of the loop: `v = ohm · i + memory`.
#[derive(Clone, Copy, Debug)]
enum Element {
    Resistor,
    /// Voltage and current of the sample before, here and in the next.
    Inductor {
        v: f64,
        i: f64,
    },
    Capacitor {
        v: f64,
        i: f64,
    },
    /// Resistance, capacitance and inductance in parallel: conductances of the last two, their currents, the voltage.
    Resonance {
        capacitor: f64,
        inductor: f64,
        current: [f64; 2],
        v: f64,
    },
}

#[derive(Clone, Copy, Debug)]
struct Part {
    element: Element,
    ohm: f64,
}

impl Part {
    fn resistor(ohm: f64) -> Part {
        Part { element: Element::Resistor, ohm }
    }

    fn inductor(henry: f64, rate_hz: f64) -> Part {
        Part { element: Element::Inductor { v: 0.0, i: 0.0 }, ohm: 2.0 * henry * rate_hz }
    }

    fn capacitor(farad: f64, rate_hz: f64) -> Part {
        Part { element: Element::Capacitor { v: 0.0, i: 0.0 }, ohm: 0.5 / (farad * rate_hz) }
    }

    /// `peak / (1 + jQ(f/f0 − f0/f))`, `f0` and the bandwidth around it exact.
    fn resonance(peak_ohm: f64, q: f64, f0_hz: f64, rate_hz: f64) -> Part {
        let k = (PI * f0_hz / rate_hz).tan();
        let q = q * bandwidth_kept(f0_hz, rate_hz);
        let (capacitor, inductor) = (q / peak_ohm / k, q / peak_ohm * k);
        let ohm = 1.0 / (1.0 / peak_ohm + capacitor + inductor);
        Part { element: Element::Resonance { capacitor, inductor, current: [0.0; 2], v: 0.0 }, ohm }
    }

    #[inline]
    fn memory(&self) -> f64 {
        match self.element {
            Element::Resistor => 0.0,
            Element::Inductor { v, i } => -self.ohm * i - v,
            Element::Capacitor { v, i } => v + self.ohm * i,
            Element::Resonance { capacitor, inductor, current: [ic, il], v } => {
                -self.ohm * (inductor * v + il - capacitor * v - ic)
            }
        }
    }

    #[inline]
    fn step(&mut self, through: f64) {
        let across = self.ohm * through + self.memory();
        match &mut self.element {
            Element::Resistor => {}
            Element::Inductor { v, i } | Element::Capacitor { v, i } => (*v, *i) = (across, through),
            Element::Resonance { capacitor, inductor, current: [ic, il], v } => {
                *ic = *capacitor * (across - *v) - *ic;
                *il += *inductor * (across + *v);
                *v = across;
            }
        }
    }
}

/// A circuit with a memory.
#[derive(Clone, Debug)]
pub(super) struct Reactive {
    source: Vec<Part>,
    load: Option<Vec<Part>>,
    series_ohm: f64,
    input: f64,
    limit_a: f64,
    /// Filters of both voltages with the samples they look at.
    corrections: [Correction; 2],
}

impl Reactive {
    fn new(spec: &BenchSpec, rate_hz: f64) -> Reactive {
        let (output, headphone, hookup) = (&spec.output, &spec.headphone, &spec.hookup);
        let mut source = vec![Part::resistor(output.source_ohm)];
        source.extend(output.coupling_f.map(|farad| Part::capacitor(farad, rate_hz)));
        let load = spec.load_resistance().map(|ohm| {
            let mut parts = vec![Part::resistor(ohm)];
            if hookup.load == PluggedIn::Headphone {
                parts.extend((headphone.inductance_h > 0.0).then(|| Part::inductor(headphone.inductance_h, rate_hz)));
                let resonances = headphone.resonances.iter();
                parts.extend(resonances.map(|r| Part::resonance(r.peak_ohm, r.q, r.frequency_hz, rate_hz)));
            }
            parts
        });
        Reactive {
            source,
            load,
            series_ohm: hookup.series_ohm,
            input: spec.lines_in.input_ohm.map_or(0.0, f64::recip),
            limit_a: output.current_limit_a.unwrap_or(f64::INFINITY),
            corrections: Correction::fitted(spec, rate_hz),
        }
    }

    fn push(&mut self, open_v: f64) -> Volts {
        let series = |parts: &[Part]| parts.iter().fold((0.0, 0.0), |(o, m), p| (o + p.ohm, m + p.memory()));
        let (ohm, memory) = series(&self.source);
        let (v, r) = ((open_v - memory) / (1.0 + self.input * ohm), ohm / (1.0 + self.input * ohm));
        let r = r + self.series_ohm;
        let (v, r) = (v / (1.0 + self.input * r), r / (1.0 + self.input * r));
        let (mut through, mut across) = (0.0, v);
        if let Some(parts) = &mut self.load {
            let (ohm, memory) = series(parts);
            through = ((v - memory) / (r + ohm)).clamp(-self.limit_a, self.limit_a);
            across = ohm * through + memory;
            parts.iter_mut().for_each(|part| part.step(through));
        }
        let in_series = through + across * self.input;
        let source_side = across + self.series_ohm * in_series;
        let given = in_series + source_side * self.input;
        self.source.iter_mut().for_each(|part| part.step(given));
        let [first, second] = &mut self.corrections;
        Volts { source_side: first.push(source_side), load: second.push(across) }
    }
}

/// A filter of real taps, `HALF` on either side of its middle.
#[derive(Clone, Debug)]
struct Correction {
    taps: Vec<f64>,
    past: Vec<f64>,
    at: usize,
}

impl Correction {
    /// For both voltages: closed form over what the stepped circuit does, least squares.
    fn fitted(spec: &BenchSpec, rate_hz: f64) -> [Correction; 2] {
        let even = (1..=FIT_STEPS).map(|i| FITTED_TO * rate_hz * i as f64 / FIT_STEPS as f64);
        let highest = FITTED_TO * rate_hz;
        let log = (0..FIT_STEPS).map(|i| highest.powf(i as f64 / FIT_STEPS as f64));
        let grid: Vec<f64> = even.chain(log).collect();
        let wanted: Vec<[C; 2]> = grid
            .iter()
            .map(|f| {
                let detuned = |f0: f64| f / f0 - f0 / f;
                let exact = transfer(spec, source_z(spec, TAU * f), load_z(spec, TAU * f, detuned));
                // The bilinear transform takes 2/T·tan(πf/rate) for 2πf; a resonance scales it to keep its own frequency.
                let tan = (PI * f / rate_hz).tan();
                let omega = 2.0 * rate_hz * tan;
                let detuned = |f0: f64| {
                    let x = tan / (PI * f0 / rate_hz).tan();
                    bandwidth_kept(f0, rate_hz) * (x - 1.0 / x)
                };
                let stepped = transfer(spec, source_z(spec, omega), load_z(spec, omega, detuned));
                [exact[0] / stepped[0], exact[1] / stepped[1]]
            })
            .collect();
        [0, 1].map(|which| Correction {
            taps: fit(&grid, &wanted.iter().map(|w| w[which]).collect::<Vec<_>>(), rate_hz),
            past: vec![0.0; 2 * (2 * HALF + 1)],
            at: 0,
        })
    }

    #[inline]
    fn push(&mut self, x: f64) -> f64 {
        let length = self.taps.len();
        // Written twice, so that the last samples always lie in one piece.
        self.past[self.at] = x;
        self.past[self.at + length] = x;
        self.at = (self.at + 1) % length;
        dot(&self.past[self.at..self.at + length], &self.taps)
    }
}

/// Taps (oldest sample first) whose response, seen from the middle one, comes nearest to `wanted`.
fn fit(grid: &[f64], wanted: &[C], rate_hz: f64) -> Vec<f64> {
    let count = 2 * HALF + 1;
    let later = |k: usize| k as f64 - HALF as f64;
    let mut matrix = vec![vec![0.0; count]; count];
    let mut right = vec![0.0; count];
    // The sums depend on the distance of two taps only.
    let mut by_distance = vec![0.0; count];
    for (f, d) in grid.iter().zip(wanted) {
        let turn = TAU * f / rate_hz;
        for k in 0..count {
            let (sin, cos) = (turn * later(k)).sin_cos();
            right[k] += d.re * cos + d.im * sin;
            by_distance[k] += (turn * k as f64).cos();
        }
    }
    by_distance[0] += RIDGE * grid.len() as f64;
    for (k, row) in matrix.iter_mut().enumerate() {
        row.iter_mut().enumerate().for_each(|(l, sum)| *sum = by_distance[k.abs_diff(l)]);
    }
    solve(matrix, right)
}

/// Gauss with pivots in place: the matrix is positive definite.
fn solve(mut matrix: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let count = right.len();
    for pivot in 0..count {
        let row = matrix[pivot].clone();
        for below in pivot + 1..count {
            let by = matrix[below][pivot] / row[pivot];
            for (x, p) in matrix[below].iter_mut().zip(&row).skip(pivot) {
                *x -= by * p;
            }
            right[below] -= by * right[pivot];
        }
    }
    for k in (0..count).rev() {
        let known: f64 = (k + 1..count).map(|l| matrix[k][l] * right[l]).sum();
        right[k] = (right[k] - known) / matrix[k][k];
    }
    right
}

/// Factor on a resonance's quality that undoes what the transform, exact at `f0_hz`, does to its width there:
/// d/dx(tan x / tan x0) is 2x0/sin 2x0 of what it should be.
fn bandwidth_kept(f0_hz: f64, rate_hz: f64) -> f64 {
    let twice = TAU * f0_hz / rate_hz;
    twice.sin() / twice
}

/// Source impedance at an angular frequency.
fn source_z(spec: &BenchSpec, omega: f64) -> C {
    C::new(spec.output.source_ohm, spec.output.coupling_f.map_or(0.0, |farad| -1.0 / (omega * farad)))
}

/// Load impedance likewise, cable included; `detuned` gives `f/f0 − f0/f`. `None`: nothing is plugged in.
fn load_z(spec: &BenchSpec, omega: f64, detuned: impl Fn(f64) -> f64) -> Option<C> {
    let resistance = C::new(spec.load_resistance()?, 0.0);
    if spec.hookup.load != PluggedIn::Headphone {
        return Some(resistance);
    }
    let headphone = &spec.headphone;
    let coil = resistance + C::new(0.0, omega * headphone.inductance_h);
    let resonances = headphone.resonances.iter();
    Some(resonances.fold(coil, |sum, r| sum + r.peak_ohm / C::new(1.0, r.q * detuned(r.frequency_hz))))
}
