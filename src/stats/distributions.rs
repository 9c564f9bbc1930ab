//! The distributions behind the intervals: Student's t, Fisher's F, chi-squared, and the noncentral F.

use super::Interval;

/// Natural logarithm of the gamma function for positive `x` (Lanczos, g = 7, nine terms; relative error under 1e-13).
pub fn ln_gamma(x: f64) -> f64 {
    const LANCZOS: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    if x < 0.5 {
        // Reflection keeps the series in its good range.
        let pi = std::f64::consts::PI;
        return (pi / (pi * x).sin()).abs().ln() - ln_gamma(1.0 - x);
    }
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = LANCZOS.iter().enumerate().skip(1).fold(LANCZOS[0], |sum, (i, c)| sum + c / (x + i as f64));
    0.5 * (2.0 * std::f64::consts::PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// `x^a (1−x)^b / (a B(a, b))`: what `I_x(a, b)` loses when `a` grows by one (DLMF 8.17.20).
fn beta_step(x: f64, a: f64, b: f64) -> f64 {
    (a * x.ln() + b * (-x).ln_1p() + ln_gamma(a + b) - ln_gamma(a + 1.0) - ln_gamma(b)).exp()
}

/// Regularised incomplete beta function `I_x(a, b)` by its continued fraction (DLMF 8.17.22, modified Lentz).
pub fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        // The fraction converges fast only on the lower side of the mean.
        return 1.0 - beta_fraction(1.0 - x, b, a);
    }
    beta_fraction(x, a, b)
}

fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let guard = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / guard(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    // Convergence takes about the square root of the larger parameter.
    for m in 1..20_000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / guard(1.0 + even * d);
        c = guard(1.0 + even / c);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / guard(1.0 + odd * d);
        c = guard(1.0 + odd / c);
        let step = d * c;
        fraction *= step;
        if (step - 1.0).abs() < 1e-15 {
            break;
        }
    }
    (beta_step(x, a, b) * fraction).clamp(0.0, 1.0)
}

/// Terms of a series at most.
const LONGEST_SERIES: usize = 1_000_000;

/// Regularised lower incomplete gamma function `P(a, x)` (series and continued fraction, DLMF 8.11.4 and 8.9.2).
pub fn incomplete_gamma(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let front = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        // About 9·√a terms count; for an `a` beyond all use the sum is cut off rather than run for ever.
        for _ in 0..LONGEST_SERIES {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term <= sum * 1e-16 {
                break;
            }
        }
        return (front * sum).min(1.0);
    }
    let (mut b, mut c) = (x + 1.0 - a, 1e300);
    let mut d = 1.0 / b;
    let mut fraction = d;
    for i in 1..20_000 {
        let i = f64::from(i);
        b += 2.0;
        let an = -i * (i - a);
        d = 1.0 / (an * d + b);
        c = b + an / c;
        fraction *= d * c;
        if (d * c - 1.0).abs() < 1e-15 {
            break;
        }
    }
    (1.0 - front * fraction).clamp(0.0, 1.0)
}

/// Distribution function of Fisher's F with `d1` and `d2` degrees of freedom.
pub fn f_cdf(x: f64, d1: f64, d2: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { incomplete_beta(d1 * x / (d1 * x + d2), 0.5 * d1, 0.5 * d2) }
}

/// Quantile of Fisher's F.
pub fn f_quantile(p: f64, d1: f64, d2: f64) -> f64 {
    root_log(|x| f_cdf(x, d1, d2) - p)
}

/// Quantile of chi-squared with `dof` degrees of freedom.
pub fn chi_squared_quantile(p: f64, dof: f64) -> f64 {
    root_log(|x| incomplete_gamma(0.5 * dof, 0.5 * x) - p)
}

/// Quantile of Student's t with `dof` degrees of freedom.
pub fn t_quantile(p: f64, dof: f64) -> f64 {
    if p < 0.5 {
        return -t_quantile(1.0 - p, dof);
    }
    // t² is F(1, dof).
    f_quantile(2.0 * p - 1.0, 1.0, dof.clamp(0.5, 1e7)).sqrt()
}

/// Distribution function of Student's t.
pub fn t_cdf(t: f64, dof: f64) -> f64 {
    // t² is F(1, dof).
    let beyond = 0.5 * (1.0 - f_cdf(t * t, 1.0, dof.clamp(0.5, 1e7)));
    if t < 0.0 { beyond } else { 1.0 - beyond }
}

/// Two-sided 95 % factor of Student's t (the 97.5 % quantile); 1.96 for very many degrees of freedom. From ten on by its
/// expansion about the normal one (Abramowitz and Stegun 26.7.5), within 1e-5.
pub fn student_t_95(dof: f64) -> f64 {
    if dof < 10.0 {
        return t_quantile(0.975, dof);
    }
    // The expansion's polynomials at the normal 97.5 % quantile, 1.959964.
    let terms = [1.959_964, 2.372_27, 2.822_50, 2.555_85, 1.589_53];
    terms.iter().rev().fold(0.0, |sum, term| sum / dof + term)
}

/// Root of a rising function of a positive number, to about 1e-12 relative.
fn root_log(f: impl Fn(f64) -> f64) -> f64 {
    root(|x| f(x.exp()), (-60.0, 60.0), 1e-13).exp()
}

/// Root between two ends where `f` has two signs (else the end where it is smaller), within `apart`: inverse quadratic
/// interpolation where that converges, else halving (Chandrupatla, *Advances in Engineering Software* 28 (1997) 145–149,
/// from memory).
fn root(f: impl Fn(f64) -> f64, ends: (f64, f64), apart: f64) -> f64 {
    // `a` is the newest point, `b` the one on the other side of the root, `c` the one that `a` replaced.
    let ((mut a, mut b), mut share) = (ends, 0.5);
    let (mut at_a, mut at_b) = (f(a), f(b));
    let smaller = |a: (f64, f64), b: (f64, f64)| if a.1.abs() < b.1.abs() { a.0 } else { b.0 };
    if (at_a > 0.0) == (at_b > 0.0) {
        return smaller((a, at_a), (b, at_b));
    }
    for _ in 0..200 {
        let x = a + share * (b - a);
        let at_x = f(x);
        let beside_a = (at_x > 0.0) == (at_a > 0.0);
        let (c, at_c) = if beside_a { (a, at_a) } else { (b, at_b) };
        if !beside_a {
            (b, at_b) = (a, at_a);
        }
        (a, at_a) = (x, at_x);
        let least = apart / (b - a).abs();
        if least > 0.5 || at_a == 0.0 {
            break;
        }
        let (xi, phi) = ((a - b) / (c - b), (at_a - at_b) / (at_c - at_b));
        share = if phi * phi < xi && (1.0 - phi).powi(2) < 1.0 - xi {
            at_a / (at_b - at_a) * at_c / (at_b - at_c)
                + (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
        } else {
            0.5
        };
        share = share.clamp(least, 1.0 - least);
    }
    smaller((a, at_a), (b, at_b))
}

/// Above this noncentrality Patnaik's two-moment approximation is used; its error in probability is then under 5e-4.
const PATNAIK_FROM: f64 = 2e4;

/// Distribution function of the noncentral F with noncentrality `lambda` (Poisson mixture of incomplete betas, Johnson,
/// Kotz & Balakrishnan, *Continuous Univariate Distributions* 2, ch. 30, from memory; summed outwards from its largest
/// weight; Patnaik's approximation for very large `lambda`).
pub fn noncentral_f_cdf(x: f64, d1: f64, d2: f64, lambda: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if lambda <= 0.0 {
        return f_cdf(x, d1, d2);
    }
    if lambda > PATNAIK_FROM {
        let dof = (d1 + lambda).powi(2) / (d1 + 2.0 * lambda);
        return f_cdf(x * d1 / (d1 + lambda), dof, d2);
    }
    let y = d1 * x / (d1 * x + d2);
    let (half, b) = (0.5 * lambda, 0.5 * d2);
    let middle = half.floor();
    let a0 = 0.5 * d1 + middle;
    let weight0 = (middle * half.ln() - half - ln_gamma(middle + 1.0)).exp();
    let beta0 = incomplete_beta(y, a0, b);
    let step0 = beta_step(y, a0, b);
    let mut sum = weight0 * beta0;
    let (mut weight, mut beta, mut step, mut a, mut j) = (weight0, beta0, step0, a0, middle);
    while weight > weight0 * 1e-14 {
        beta = (beta - step).max(0.0);
        step *= y * (a + b) / (a + 1.0);
        a += 1.0;
        j += 1.0;
        weight *= half / j;
        sum += weight * beta;
    }
    let (mut weight, mut beta, mut step, mut a, mut j) = (weight0, beta0, step0, a0, middle);
    while j > 0.0 && weight > weight0 * 1e-14 {
        step *= a / (y * (a - 1.0 + b));
        a -= 1.0;
        beta = (beta + step).min(1.0);
        weight *= j / half;
        j -= 1.0;
        sum += weight * beta;
    }
    sum.clamp(0.0, 1.0)
}

/// 95 % interval of the noncentrality that goes with an observed F ratio (its ends are 0 where the data allow none).
pub fn noncentrality_95(ratio: f64, d1: f64, d2: f64) -> Interval {
    let solve = |p: f64| {
        if f_cdf(ratio, d1, d2) <= p {
            return 0.0;
        }
        let mut high = d1 * ratio + 10.0;
        while noncentral_f_cdf(ratio, d1, d2, high) > p && high < 1e18 {
            high *= 2.0;
        }
        root(|lambda| p - noncentral_f_cdf(ratio, d1, d2, lambda), (0.0, high), 1e-11 * high)
    };
    Interval { low: solve(0.975), high: solve(0.025) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008 Table G.2, 95 % column.
    #[test]
    fn student_factors_are_those_of_the_gum() {
        for (dof, t) in [(1.0, 12.71), (2.0, 4.30), (4.0, 2.78), (10.0, 2.23), (30.0, 2.04), (100.0, 1.984)] {
            assert!((student_t_95(dof) - t).abs() < 0.006, "{dof}: {}", student_t_95(dof));
        }
        for dof in [10.0, 14.5, 40.0, 1e3, 1e6, f64::INFINITY] {
            assert!((student_t_95(dof) - t_quantile(0.975, dof)).abs() < 1e-5, "{dof}: {}", student_t_95(dof));
        }
    }

    /// cos x = x at 0.739085133215161 (Dottie's number); a steep and a flat function; no root at all gives an end.
    #[test]
    fn a_root_is_found_in_few_steps() {
        let steps = std::cell::Cell::new(0);
        let counted = |f: fn(f64) -> f64| {
            let steps = &steps;
            move |x: f64| {
                steps.set(steps.get() + 1);
                f(x)
            }
        };
        for (f, ends, expected) in [
            ((|x| x - x.cos()) as fn(f64) -> f64, (0.0, 1.0), 0.739_085_133_215_161),
            (|x| (50.0 * (x - 0.3)).tanh(), (-60.0, 60.0), 0.3),
            (|x| (x - 2.0).powi(3), (-1.0, 60.0), 2.0),
            (|x| 1.0 - x.exp(), (60.0, -60.0), 0.0),
        ] {
            steps.set(0);
            let found = root(counted(f), ends, 1e-13);
            assert!((found - expected).abs() < 1e-12, "{found} for {expected}");
            assert!(steps.get() < 60, "{} steps to {expected}", steps.get());
        }
        assert!(root(|x| x + 5.0, (0.0, 1.0), 1e-13).abs() < 1e-9);
        assert!((root(|x| x - 5.0, (0.0, 1.0), 1e-13) - 1.0).abs() < 1e-9);
    }

    /// Student's t (JCGM 100, table G.2, 95 %): 2.5 % lie beyond 12.71, 4.30, 2.78 and 1.96; Welch's example worked with
    /// scipy: t = 2.708797, 7.96438 degrees of freedom, p = 0.0268168 (two-sided).
    #[test]
    fn the_distribution_of_students_t_is_that_of_the_tables() {
        for (dof, t) in [(1.0, 12.7062), (2.0, 4.3027), (4.0, 2.7764), (1e7, 1.959_964)] {
            assert!((t_cdf(t, dof) - 0.975).abs() < 1e-5 && (t_cdf(-t, dof) - 0.025).abs() < 1e-5, "{dof}");
        }
        assert!((2.0 * t_cdf(-2.708_797, 7.964_38) - 0.026_816_8).abs() < 1e-6);
    }

    /// Closed forms: I_x(1, b) = 1 − (1−x)^b, I_x(a, 1) = x^a, P(1, x) = 1 − e^(−x), Γ(½) = √π, F(2, 2): x/(1+x).
    #[test]
    fn special_functions_agree_with_their_closed_forms() {
        for x in [0.01, 0.3, 0.5, 0.93] {
            assert!((incomplete_beta(x, 1.0, 7.5) - (1.0 - (1.0 - x).powf(7.5))).abs() < 1e-13);
            assert!((incomplete_beta(x, 4.25, 1.0) - x.powf(4.25)).abs() < 1e-13);
            assert!((f_cdf(x, 2.0, 2.0) - x / (1.0 + x)).abs() < 1e-13);
        }
        for x in [0.1, 1.0, 5.0] {
            assert!((incomplete_gamma(1.0, x) - (1.0 - (-x).exp())).abs() < 1e-13);
        }
        assert!((ln_gamma(0.5) - 0.5 * std::f64::consts::PI.ln()).abs() < 1e-13);
        assert!((ln_gamma(171.0) - (1..171).map(|n| f64::from(n).ln()).sum::<f64>()).abs() < 1e-9);
        // Chi-squared with two degrees of freedom is exponential.
        assert!((chi_squared_quantile(0.95, 2.0) + 2.0 * 0.05f64.ln()).abs() < 1e-9);
    }

    /// Against a direct sum of central terms, and the approximation against the exact sum at the seam.
    #[test]
    fn noncentral_f_is_the_poisson_mixture_of_central_terms() {
        for (x, d1, d2, lambda) in [(1.5, 2.0, 6.0, 3.0), (0.8, 11.0, 20.0, 0.7), (4.0, 40.0, 12.0, 90.0)] {
            let y = d1 * x / (d1 * x + d2);
            let half: f64 = 0.5 * lambda;
            let direct: f64 = (0..400)
                .map(|j| {
                    let j = f64::from(j);
                    (j * half.ln() - half - ln_gamma(j + 1.0)).exp() * incomplete_beta(y, 0.5 * d1 + j, 0.5 * d2)
                })
                .sum();
            assert!((noncentral_f_cdf(x, d1, d2, lambda) - direct).abs() < 1e-12);
        }
        let (below, above) = (noncentral_f_cdf(1e4, 2.0, 60.0, 1.9999e4), noncentral_f_cdf(1e4, 2.0, 60.0, 2.0001e4));
        assert!((below - above).abs() < 5e-4, "{below} {above}");
    }

    #[test]
    fn the_interval_of_a_noncentrality_closes_at_zero_when_nothing_is_seen() {
        let nothing = noncentrality_95(0.9, 200.0, 200.0);
        assert!(nothing.low == 0.0 && nothing.high > 0.0);
        let much = noncentrality_95(50.0, 200.0, 200.0);
        let expected = 200.0 * 49.0;
        assert!(much.low < expected && expected < much.high && much.low > 0.5 * expected);
    }
}
