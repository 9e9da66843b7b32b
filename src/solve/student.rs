//! Student's t: how much wider an interval must be when its standard deviation comes from few readings.
//!
//! The distribution function is a regularised incomplete beta function, by its continued fraction (Lentz's method) and
//! Lanczos' logarithm of the gamma function (coefficients for g = 7, n = 9; both from memory, checked against tables).

/// Quantile of Student's t with `dof` degrees of freedom (any number above zero, or infinite for the normal
/// distribution), for a probability strictly between 0 and 1.
///
/// NaN for arguments outside those.
pub fn quantile(probability: f64, dof: f64) -> f64 {
    let inside = probability > 0.0 && probability < 1.0 && dof > 0.0;
    if !inside {
        return f64::NAN;
    }
    if probability < 0.5 {
        return -quantile(1.0 - probability, dof);
    }
    // Bracket, then halve: the function is smooth and this runs a few times a photo.
    let mut high = 1.0;
    while cumulative(high, dof) < probability {
        high *= 2.0;
        if high > 1e300 {
            return f64::INFINITY;
        }
    }
    let mut low = 0.0;
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if cumulative(middle, dof) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Factor from a standard uncertainty with `dof` effective degrees of freedom to the half-width of a two-sided 95%
/// interval (JCGM 100:2008, table G.2). Never below the normal distribution's.
pub fn factor_95(dof: f64) -> f64 {
    quantile(0.975, dof)
}

/// Probability of a value up to `t`.
pub fn cumulative(t: f64, dof: f64) -> f64 {
    let upper = if dof > 1e7 {
        normal_tail(t.abs())
    } else {
        0.5 * beta(dof / (dof + t * t), 0.5 * dof, 0.5)
    };
    if t < 0.0 { upper } else { 1.0 - upper }
}

/// Probability of a Fisher's F of `numerator` and `denominator` degrees of freedom beyond `f`.
pub fn f_tail(f: f64, numerator: f64, denominator: f64) -> f64 {
    beta(
        denominator / (denominator + numerator * f.max(0.0)),
        0.5 * denominator,
        0.5 * numerator,
    )
}

/// Upper tail of the normal distribution for t >= 0: half the incomplete gamma function Q(1/2, t²/2), by series near
/// zero and by continued fraction beyond.
fn normal_tail(t: f64) -> f64 {
    let x = 0.5 * t * t;
    if x < 1.5 {
        let mut term = 2.0;
        let mut sum = term;
        let mut a = 0.5;
        while term > sum * 1e-17 {
            a += 1.0;
            term *= x / a;
            sum += term;
        }
        let below = sum * (-x).exp() * x.sqrt() / std::f64::consts::PI.sqrt();
        0.5 * (1.0 - below)
    } else {
        // Lentz.
        let mut b = x + 0.5;
        let mut c = 1e300;
        let mut d = 1.0 / b;
        let mut h = d;
        for i in 1..300 {
            let i = f64::from(i);
            let a = -i * (i - 0.5);
            b += 2.0;
            d = 1.0 / (a * d + b);
            c = b + a / c;
            h *= c * d;
            if (c * d - 1.0).abs() < 1e-16 {
                break;
            }
        }
        0.5 * h * (-x).exp() * (x / std::f64::consts::PI).sqrt()
    }
}

/// Regularised incomplete beta function I_x(a, b).
fn beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp();
    if x < (a + 1.0) / (a + b + 2.0) {
        front * fraction(x, a, b) / a
    } else {
        1.0 - front * fraction(1.0 - x, b, a) / b
    }
}

fn fraction(x: f64, a: f64, b: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let guard = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / guard(1.0 - (a + b) * x / (a + 1.0));
    let mut h = d;
    for m in 1..500 {
        let m = f64::from(m);
        for term in [
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        ] {
            d = 1.0 / guard(1.0 + term * d);
            c = guard(1.0 + term / c);
            h *= c * d;
        }
        if (c * d - 1.0).abs() < 1e-16 {
            break;
        }
    }
    h
}

fn ln_gamma(x: f64) -> f64 {
    const G: [f64; 9] = [
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
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = G[1..]
        .iter()
        .zip(1u8..)
        .fold(G[0], |sum, (g, i)| sum + g / (x + f64::from(i)));
    0.5 * (2.0 * std::f64::consts::PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// scipy 1.17.1: `scipy.stats.f.sf(4.0, a, b)`.
    #[test]
    fn tails_of_f() {
        for (a, b, expected) in [
            (60.0, 50.0, 7.400573212433226e-7),
            (74.0, 60.0, 5.90652539562946e-8),
            (6.0, 4.0, 0.10037484381507707),
        ] {
            let found = f_tail(4.0, a, b);
            assert!((found / expected - 1.0).abs() < 1e-9, "{found}");
        }
    }

    /// JCGM 100:2008 table G.2, and its normal limit.
    #[test]
    fn table_of_the_gum() {
        let expected = [
            (1.0, 12.7062),
            (2.0, 4.3027),
            (3.0, 3.1824),
            (4.0, 2.7764),
            (5.0, 2.5706),
            (9.0, 2.2622),
            (10.0, 2.2281),
            (20.0, 2.0860),
            (50.0, 2.0086),
            (f64::INFINITY, 1.959964),
        ];
        for (dof, t) in expected {
            assert_abs_diff_eq!(factor_95(dof), t, epsilon = 1e-4);
        }
        // Two-sided 99% at 16 degrees of freedom, used by the GUM's example H.1.
        assert_abs_diff_eq!(quantile(0.995, 16.0), 2.92, epsilon = 5e-3);
    }

    /// Closed forms: one degree of freedom is Cauchy's, two are t/√(2 + t²).
    #[test]
    fn closed_forms() {
        for t in [-40.0f64, -2.0, -0.3, 0.0, 0.7, 3.0, 90.0] {
            let cauchy = 0.5 + t.atan() / std::f64::consts::PI;
            assert_abs_diff_eq!(cumulative(t, 1.0), cauchy, epsilon = 1e-13);
            let two = 0.5 + 0.5 * t / (2.0 + t * t).sqrt();
            assert_abs_diff_eq!(cumulative(t, 2.0), two, epsilon = 1e-13);
        }
        assert_abs_diff_eq!(
            factor_95(f64::INFINITY),
            1.959_963_984_540_054,
            epsilon = 1e-13
        );
        // The normal limit is reached smoothly.
        assert_abs_diff_eq!(factor_95(9e6), factor_95(2e7), epsilon = 1e-6);
    }

    #[test]
    fn odd_arguments() {
        for (p, dof) in [
            (0.0, 3.0),
            (1.0, 3.0),
            (f64::NAN, 3.0),
            (0.9, 0.0),
            (0.9, -1.0),
            (0.9, f64::NAN),
        ] {
            assert!(quantile(p, dof).is_nan());
        }
        assert_eq!(quantile(0.3, 5.0), -quantile(0.7, 5.0));
        assert!(quantile(0.5, 7.0).abs() < 1e-12);
    }
}
