//! Countries: alpha-2 codes of ISO 3166-1.

/// Officially assigned codes.
const ASSIGNED: &str = "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR \
     BS BT BV BW BY BZ CA CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ \
     EC EE EG EH ER ES ET FI FJ FK FM FO FR GA GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW \
     GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP KE KG KH KI KM KN KP KR KW KY \
     KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS MT MU MV \
     MW MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY \
     QA RE RO RS RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG \
     TH TJ TK TL TM TN TO TR TT TV TW TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM \
     ZW";

/// Whether a code in capital letters is officially assigned, or one of those that the standard leaves to users (AA, QM to
/// QZ, XA to XZ, ZZ), which examples and invented worlds take.
pub fn is_country(code: &str) -> bool {
    let user =
        matches!(code.as_bytes(), [b'Q', b'M'..=b'Z'] | [b'X', b'A'..=b'Z']) || matches!(code, "AA" | "ZZ");
    user || assigned().any(|known| known == code)
}

/// The officially assigned codes.
pub fn assigned() -> impl Iterator<Item = &'static str> {
    ASSIGNED.split_ascii_whitespace()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn assigned_codes_and_those_left_to_users_are_countries_others_are_not() {
        for code in ["DE", "GB", "AX", "ZW", "XA", "QM", "ZZ", "AA"] {
            assert!(is_country(code), "{code}");
        }
        for code in ["UK", "EU", "QL", "de", "D", "DEU", ""] {
            assert!(!is_country(code), "{code}");
        }
    }
}
