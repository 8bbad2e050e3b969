//! Quantiles of the distributions behind critical values: Student's t, Fisher's F and chi-squared. The
//! library panics on impossible arguments; here they give NaN.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

/// Beyond that many degrees of freedom the library's incomplete beta function, whose continued fraction stops
/// at 140 terms, loses digits. Quantiles of t up to a tail of 0.0005 are then within 4e-4 of their limit, those of F
/// with hundreds of degrees in the numerator within 0.2 %.
const MOST_DF: f64 = 10_000.0;

/// The value that Student's t exceeds with probability `tail`, in (0, 0.5]; NaN for impossible arguments.
pub fn t_upper(tail: f64, df: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, df.min(MOST_DF)) {
        // By symmetry, since 1 - tail would keep few digits of a small tail.
        Ok(t) if tail > 0.0 && tail <= 0.5 => -t.inverse_cdf(tail),
        _ => f64::NAN,
    }
}

/// Probability that Student's t is as far from nothing as `t`, on either side; NaN for impossible arguments.
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    StudentsT::new(0.0, 1.0, df.min(MOST_DF)).map_or(f64::NAN, |of| 2.0 * of.cdf(-t.abs()))
}

/// The value that F with `df1` and `df2` degrees of freedom exceeds with probability `tail`, in (0, 1); NaN for
/// impossible arguments.
pub fn f_upper(tail: f64, df1: f64, df2: f64) -> f64 {
    // The reciprocal of F has its degrees of freedom exchanged.
    match FisherSnedecor::new(df2.min(MOST_DF), df1.min(MOST_DF)) {
        Ok(f) if tail > 0.0 && tail < 1.0 => 1.0 / f.inverse_cdf(tail),
        _ => f64::NAN,
    }
}

/// The value that chi-squared exceeds with probability `tail`, in (0, 1); NaN for impossible arguments.
pub fn chi_squared_upper(tail: f64, df: f64) -> f64 {
    match ChiSquared::new(df) {
        Ok(chi) if tail > 0.0 && tail < 1.0 => chi.inverse_cdf(1.0 - tail),
        _ => f64::NAN,
    }
}

/// Probability that chi-squared stays at or below `x`; NaN for impossible degrees of freedom.
pub fn chi_squared_below(x: f64, df: f64) -> f64 {
    ChiSquared::new(df).map_or(f64::NAN, |chi| chi.cdf(x))
}

#[cfg(test)]
mod tests {
    use statrs::function::beta::checked_beta_reg;

    use super::*;

    #[test]
    fn quantiles_invert_their_distributions() {
        for df in [1.0, 2.0, 3.5, 9.0, 100.0, 5_000.0] {
            for tail in [1e-6, 0.000_5, 0.005, 0.025, 0.2, 0.49] {
                let x = t_upper(tail, df);
                let back = checked_beta_reg(df / 2.0, 0.5, df / (df + x * x)).map_or(f64::NAN, |p| p / 2.0);
                assert!((back / tail - 1.0).abs() < 1e-7, "t {df} {tail}: {x}");
                for other in [1.0, 7.0, 60.0, 5_000.0] {
                    // At one in a million F with one degree of freedom is beyond 1e11; no limit needs that.
                    let tail = tail.max(0.000_5);
                    let x = f_upper(tail, df, other);
                    let back = checked_beta_reg(other / 2.0, df / 2.0, other / (df * x + other));
                    assert!(
                        (back.unwrap_or(f64::NAN) / tail - 1.0).abs() < 1e-6,
                        "F {df} {other} {tail}: {x}"
                    );
                }
                let x = chi_squared_upper(tail, df);
                assert!((1.0 - chi_squared_below(x, df) - tail).abs() < 1e-9, "chi {df} {tail}: {x}");
            }
        }
    }

    #[test]
    fn a_square_of_t_is_f_with_one_degree_of_freedom() {
        for df in [1.0, 2.0, 6.0, 40.0] {
            for tail in [0.001, 0.01, 0.1] {
                let (t, f) = (t_upper(tail / 2.0, df), f_upper(tail, 1.0, df));
                assert!((t * t / f - 1.0).abs() < 1e-10, "{df} {tail}");
            }
        }
        // Two degrees of freedom have a closed form: t = (1 - 2q) / sqrt(2 q (1 - q)).
        let closed = 0.6 / (0.4_f64 * 0.8).sqrt();
        assert!((t_upper(0.2, 2.0) - closed).abs() < 1e-12);
    }

    #[test]
    fn impossible_arguments_have_no_quantile() {
        assert!(t_upper(0.0, 5.0).is_nan() && t_upper(0.6, 5.0).is_nan() && t_upper(0.1, 0.0).is_nan());
        assert!(f_upper(1.0, 5.0, 5.0).is_nan() && f_upper(0.1, -1.0, 5.0).is_nan());
        assert!(chi_squared_upper(0.5, 0.0).is_nan() && chi_squared_upper(1.0, 3.0).is_nan());
        assert!(t_upper(0.5, 3.0).abs() < 1e-7);
    }
}
