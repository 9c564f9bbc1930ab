//! The highest point of a function with one hill (golden section: Kiefer, *Proc. AMS* 4 (1953) 502, from memory).

/// Share of the span that is kept by each round.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Where `f`, which has one hill between `low` and `high`, is largest; each round leaves 0.618 of the span.
pub fn maximise(f: &impl Fn(f64) -> f64, (mut low, mut high): (f64, f64), rounds: usize) -> f64 {
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut fa, mut fb) = (f(a), f(b));
    for _ in 0..rounds {
        if fa > fb {
            (high, b, fb) = (b, a, fa);
            a = high - GOLDEN * (high - low);
            fa = f(a);
        } else {
            (low, a, fa) = (a, b, fb);
            b = low + GOLDEN * (high - low);
            fb = f(b);
        }
    }
    0.5 * (low + high)
}
