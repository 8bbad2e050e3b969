//! Decimal numbers as they are written, so that a capture's values reach the run digit for digit:
//! units move the decimal point, and differences of timestamps are integer subtractions.

use std::cmp::Ordering;

/// `digits` x 10^-`places`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Decimal {
    digits: i128,
    places: i32,
}

/// Significant digits read at most. Thirty fit an `i128` (38) with room for moving the point, and no clock
/// has more.
const MOST_DIGITS: usize = 30;

/// Largest power of ten that an `f64` holds exactly, so that a quotient by it is rounded only once
/// (Clinger 1990, "How to read floating point numbers accurately").
const EXACT_POWER: i32 = 22;

/// Why a text is not a number that can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotDecimal {
    /// Nothing there.
    Empty,
    /// Not a number in digits.
    NotANumber,
    /// A comma where the point belongs, or the other way round.
    OtherMark,
    /// More digits than can be kept exactly.
    TooLong,
}

impl Decimal {
    /// Reads digits with at most one decimal `mark` and an optional exponent (`1.5e-3`). Blanks around are ignored.
    ///
    /// # Errors
    /// Says why the text is no such number.
    pub fn parse(text: &[u8], mark: u8) -> Result<Decimal, NotDecimal> {
        let text = text.trim_ascii();
        if text.is_empty() {
            return Err(NotDecimal::Empty);
        }
        let (negative, mut rest) = match text[0] {
            b'-' => (true, &text[1..]),
            b'+' => (false, &text[1..]),
            _ => (false, text),
        };
        let mut digits: i128 = 0;
        let mut count = 0_usize;
        let mut seen = false;
        let mut places: Option<i32> = None;
        while let Some((&byte, tail)) = rest.split_first() {
            match byte {
                b'0'..=b'9' => {
                    seen = true;
                    if count > 0 || byte != b'0' {
                        count += 1;
                    }
                    if count > MOST_DIGITS {
                        return Err(NotDecimal::TooLong);
                    }
                    digits = digits * 10 + i128::from(byte - b'0');
                    if let Some(places) = places.as_mut() {
                        *places += 1;
                    }
                }
                _ if byte == mark && places.is_none() => places = Some(0),
                b'e' | b'E' if seen => break,
                b',' | b'.' if seen => return Err(NotDecimal::OtherMark),
                _ => return Err(NotDecimal::NotANumber),
            }
            rest = tail;
        }
        if !seen {
            return Err(NotDecimal::NotANumber);
        }
        let mut places = places.unwrap_or(0);
        if let Some((_, exponent)) = rest.split_first() {
            let exponent: i32 = std::str::from_utf8(exponent)
                .ok()
                .and_then(|e| e.parse().ok())
                .ok_or(NotDecimal::NotANumber)?;
            // Beyond this no clock's value lies, and powers of ten stay small.
            if exponent.abs() > 300 {
                return Err(NotDecimal::TooLong);
            }
            places -= exponent;
        }
        Ok(Decimal { digits: if negative { -digits } else { digits }, places })
    }

    /// The number times 10^`power`, by moving the point.
    #[must_use]
    pub fn shifted(self, power: i32) -> Decimal {
        Decimal { digits: self.digits, places: self.places - power }
    }

    /// The exact difference; none when both cannot be written with one number of places.
    pub fn minus(self, other: Decimal) -> Option<Decimal> {
        let places = self.places.max(other.places);
        let aligned = |d: Decimal| {
            if d.digits == 0 {
                return Some(0);
            }
            10_i128.checked_pow((places - d.places).unsigned_abs()).and_then(|f| d.digits.checked_mul(f))
        };
        Some(Decimal { digits: aligned(self)?.checked_sub(aligned(other)?)?, places })
    }

    /// How the number compares with zero.
    pub fn sign(self) -> Ordering {
        self.digits.cmp(&0)
    }

    /// The `f64` nearest to the number.
    pub fn to_f64(self) -> f64 {
        const EXACT_INTEGER: i128 = 1 << 53;
        if (0..=EXACT_POWER).contains(&self.places) && self.digits.abs() <= EXACT_INTEGER {
            #[expect(clippy::cast_precision_loss, reason = "below 2^53 every integer is a double")]
            return self.digits as f64 / 10_f64.powi(self.places);
        }
        // The standard library rounds correctly, whatever the length.
        format!("{}e{}", self.digits, -self.places).parse().unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn read(text: &str) -> Decimal {
        Decimal::parse(text.as_bytes(), b'.').unwrap()
    }

    #[test]
    fn a_decimal_becomes_the_double_that_the_text_itself_reads_as() {
        for text in [
            "12.8764",
            "0.1",
            "16.666666666666668",
            "9007199254740993",
            "3",
            "0.000001",
            "123456789.123456789012",
        ] {
            assert_eq!(read(text).to_f64().to_bits(), text.parse::<f64>().unwrap().to_bits(), "{text}");
        }
    }

    #[test]
    fn every_four_place_frame_time_is_read_like_the_standard_library_reads_it() {
        for n in 1..200_000_u32 {
            let text = format!("{}.{:04}", n / 10_000, n % 10_000);
            assert_eq!(read(&text).to_f64().to_bits(), text.parse::<f64>().unwrap().to_bits(), "{text}");
        }
    }

    #[test]
    fn moving_the_point_equals_writing_the_number_in_the_other_unit() {
        assert_eq!(read("12876.4").shifted(-3).to_f64().to_bits(), 12.8764_f64.to_bits());
        assert_eq!(read("0.0128764").shifted(3).to_f64().to_bits(), 12.8764_f64.to_bits());
        assert_eq!(read("1.5e-2").shifted(3).to_f64().to_bits(), 15_f64.to_bits());
    }

    #[test]
    fn differences_of_long_timestamps_are_exact() {
        // As doubles these differ by 0.016700029373168945 s.
        let difference = read("1764000000.0334").minus(read("1764000000.0167")).unwrap().shifted(3);
        assert_eq!(difference.to_f64().to_bits(), 16.7_f64.to_bits());
    }

    #[test]
    fn what_is_no_number_says_why() {
        let read = |text: &str| Decimal::parse(text.as_bytes(), b'.');
        assert_eq!(read(" "), Err(NotDecimal::Empty));
        for text in ["NaN", "inf", "-", ".", "1.2.3x", "0x10", "e5", "1e", "12 3"] {
            assert!(matches!(read(text), Err(NotDecimal::NotANumber | NotDecimal::OtherMark)), "{text}");
        }
        assert_eq!(read("12,8764"), Err(NotDecimal::OtherMark));
        assert_eq!(read("1234567890123456789012345678901"), Err(NotDecimal::TooLong));
        assert_eq!(read("1e999"), Err(NotDecimal::TooLong));
        assert_eq!(Decimal::parse(b"12,5", b',').unwrap().to_f64().to_bits(), 12.5_f64.to_bits());
    }
}
