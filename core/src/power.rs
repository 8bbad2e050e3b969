//! What a card's power costs, from its rated board power.

/// Energy of a year of use, kWh: watts x hours a day x days a year / 1000. The rated board power is a limit that the maker
/// states, not what was measured; taken over all hours, it is about the most that a year can cost.
pub fn kwh_per_year(watts: f64, hours_per_day: f64, days_per_year: f64) -> f64 {
    watts * hours_per_day * days_per_year / 1000.0
}

/// Cost of a year of use, in the currency of the tariff per kWh.
pub fn cost_per_year(kwh: f64, tariff_per_kwh: f64) -> f64 {
    kwh * tariff_per_kwh
}
