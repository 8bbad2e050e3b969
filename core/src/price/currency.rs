//! Currencies: alphabetic codes and minor units of ISO 4217, and amounts written exactly.

use std::fmt;

use crate::error::CoreError;

/// A currency that a card can be paid in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Currency {
    code: [u8; 3],
    /// Decimal digits of the minor unit: 2 where one unit is a hundred minor ones.
    pub digits: u32,
}

/// Codes whose unit has no minor one (ISO 4217, list one).
const NO_DIGITS: &str = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF";

/// Codes whose unit is a hundred minor ones.
const TWO_DIGITS: &str = "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BOV BRL BSD BTN BWP BYN BZD \
     CAD CDF CHE CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL \
     GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR \
     LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD \
     PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC \
     SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XCD XCG YER ZAR ZMW \
     ZWG";

/// Codes whose unit is a thousand minor ones.
const THREE_DIGITS: &str = "BHD IQD JOD KWD LYD OMR TND";

/// Codes of units of account with four decimal digits.
const FOUR_DIGITS: &str = "CLF UYW";

const LISTS: [(&str, u32); 4] = [(NO_DIGITS, 0), (TWO_DIGITS, 2), (THREE_DIGITS, 3), (FOUR_DIGITS, 4)];

/// Most minor units of an amount; the schema has the same bound, and doubles hold it exactly.
pub const MOST_MINOR: u64 = 1_000_000_000_000;

impl Currency {
    /// The currency of an alphabetic code in capital letters; none for other spellings, withdrawn codes and codes
    /// without a minor unit (metals, units of account, tests).
    pub fn of(code: &str) -> Option<Currency> {
        let bytes: [u8; 3] = code.as_bytes().try_into().ok()?;
        let listed = |list: &str| list.split_ascii_whitespace().any(|known| known == code);
        LISTS
            .iter()
            .find(|(list, _)| listed(list))
            .map(|(_, digits)| Currency { code: bytes, digits: *digits })
    }

    /// All codes with their digits.
    pub fn all() -> impl Iterator<Item = (&'static str, u32)> {
        LISTS.iter().flat_map(|(list, digits)| list.split_ascii_whitespace().map(move |code| (code, *digits)))
    }

    /// The alphabetic code.
    pub fn code(&self) -> &str {
        std::str::from_utf8(&self.code).unwrap_or_default()
    }

    /// Minor units in one unit.
    pub fn minor_per_unit(&self) -> u64 {
        10_u64.pow(self.digits)
    }

    /// An amount in units, for statistics.
    pub fn units(&self, minor: u64) -> f64 {
        minor as f64 / self.minor_per_unit() as f64
    }

    /// An amount as a decimal number with all digits of the currency.
    pub fn written(&self, minor: u64) -> String {
        let per = self.minor_per_unit();
        match self.digits {
            0 => minor.to_string(),
            digits => format!("{}.{:0width$}", minor / per, minor % per, width = digits as usize),
        }
    }

    /// Minor units of a decimal number such as `45`, `45.5` or `45.50`, exactly.
    ///
    /// # Errors
    /// `Query` with what is wrong: no plain decimal number, more digits than the currency has, nothing, or too much.
    pub fn minor(&self, text: &str) -> Result<u64, CoreError> {
        let wrong = |why: String| CoreError::Query(why);
        let (whole, part) = text.split_once('.').unwrap_or((text, ""));
        let digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty() || !digits(whole) || !digits(part) || text.ends_with('.') {
            return Err(wrong(format!(
                "`{text}` is no amount; write digits with a point before the decimals, such as 45.50"
            )));
        }
        if part.len() > self.digits as usize {
            return Err(wrong(format!(
                "`{text}` has {} decimals, and {} has {} (ISO 4217)",
                part.len(),
                self.code(),
                self.digits
            )));
        }
        let padded = format!("{whole}{part:0<width$}", width = self.digits as usize);
        match padded.parse::<u64>() {
            Ok(0) => Err(wrong("an amount of nothing is no price".to_owned())),
            Ok(minor) if minor <= MOST_MINOR => Ok(minor),
            _ => Err(wrong(format!("`{text}` is beyond any price of a card; check the digits"))),
        }
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_exact_in_both_directions() {
        let euro = Currency::of("EUR").unwrap();
        for (text, minor, written) in
            [("45", 4500, "45.00"), ("45.5", 4550, "45.50"), ("0.01", 1, "0.01"), ("0.29", 29, "0.29")]
        {
            assert_eq!(euro.minor(text).unwrap(), minor);
            assert_eq!(euro.written(minor), written);
        }
        let yen = Currency::of("JPY").unwrap();
        assert_eq!((yen.minor("5800").unwrap(), yen.written(5800)), (5800, "5800".to_owned()));
        let dinar = Currency::of("KWD").unwrap();
        assert_eq!((dinar.minor("12.5").unwrap(), dinar.written(12_500)), (12_500, "12.500".to_owned()));
    }

    #[test]
    fn what_is_no_amount_is_refused_with_the_reason() {
        let euro = Currency::of("EUR").unwrap();
        for (text, why) in [
            ("45.505", "3 decimals"),
            ("45,50", "no amount"),
            ("-45", "no amount"),
            ("1e3", "no amount"),
            ("", "no amount"),
            (".5", "no amount"),
            ("45.", "no amount"),
            ("0.00", "nothing"),
            ("99999999999999999999999", "beyond"),
        ] {
            let said = euro.minor(text).unwrap_err().to_string();
            assert!(said.contains(why), "{text}: {said}");
        }
        assert!(Currency::of("JPY").unwrap().minor("58.5").is_err());
    }

    #[test]
    fn codes_without_money_behind_them_are_none() {
        for code in ["XXX", "XTS", "XAU", "eur", "EURO", "", "DEM"] {
            assert_eq!(Currency::of(code), None, "{code}");
        }
    }
}
