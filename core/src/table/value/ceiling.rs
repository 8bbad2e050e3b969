//! A card weighed against an alternative: performance, money, power, and the price at which both are worth the same.

use serde::{Deserialize, Serialize};

use super::{Measure, ValueQuery, Weighed, Worth};
use crate::catalogue::Catalogue;
use crate::policy::Policy;
use crate::table::compare::{Against, Match, Overall};
use crate::target::{floor_fps, in_play_fps, meets};

/// A quotient with its 95 % interval.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Quotient {
    /// The card over the alternative; none when refused.
    pub ratio: Option<f64>,
    /// 95 % interval; none where a part has none.
    pub from: Option<f64>,
    /// See `from`.
    pub to: Option<f64>,
    /// Why there is no figure.
    pub refused: Option<String>,
}

/// At how many matched configurations either card meets the target on the 1% low.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Played {
    /// Matched configurations with a 1% low of both cards and a known target.
    pub configurations: u32,
    /// At which the card meets it.
    pub card: u32,
    /// At which the alternative does.
    pub other: u32,
}

/// The price at which the card and the alternative are worth the same.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Ceiling {
    /// The alternative's price times how many times as fast the card is; none when refused.
    pub before_power: Option<f64>,
    /// What the card's power costs more than the alternative's over the years of use; less than 0 where it costs less.
    /// None without a tariff.
    pub power_difference: Option<f64>,
    /// The ceiling: `before_power` less `power_difference`, where that is known.
    pub price: Option<f64>,
    /// 95 % interval of the ceiling; none where price or ratio have none.
    pub from: Option<f64>,
    /// See `from`.
    pub to: Option<f64>,
    /// The card's own price beside it: `below`, `above`, `not told apart` where the intervals overlap, or none without
    /// both intervals.
    pub own_price: Option<String>,
    /// Why there is no ceiling.
    pub refused: Option<String>,
}

/// Weighs the card against an alternative, from how they compare on matched configurations.
pub(super) fn weigh(
    own: &Worth,
    other: Worth,
    matched: &Against,
    catalogue: &Catalogue,
    query: &ValueQuery,
    policy: &Policy,
) -> Weighed {
    let overall = match query.measure {
        Measure::MeanFps => &matched.mean_fps,
        Measure::LowFps => &matched.low_fps,
    };
    let performance = Logs::of(overall);
    let refused_price = own.refused.clone().or_else(|| other.refused.clone());
    let per_money = match (&performance, prices(own, &other), refused_price) {
        (Err(why), _, _) => refuse(why),
        (_, _, Some(why)) => refuse(&why),
        (Ok(logs), Some((card, over)), None) => logs.over(&card).times(&over).quotient(),
        (Ok(_), None, None) => refuse("not enough evidence: no price"),
    };
    let watts = (own.power.rated_board_power_w / other.power.rated_board_power_w).ln();
    let per_watt = match &performance {
        Ok(logs) => logs.over(&Logs { ln: watts, half: Some(0.0) }).quotient(),
        Err(why) => refuse(why),
    };
    Weighed {
        ceiling: ceiling(own, &other, &performance, query),
        performance: performance.as_ref().map_or_else(|why| refuse(why), Logs::quotient),
        configurations: overall.configurations,
        workloads: overall.workloads,
        contributors: matched.contributors,
        played: played(&matched.configurations, catalogue, query, policy),
        per_money,
        per_watt,
        other,
    }
}

/// A logarithm with the half width of its interval.
#[derive(Debug, Clone)]
struct Logs {
    ln: f64,
    half: Option<f64>,
}

impl Logs {
    fn of(overall: &Overall) -> Result<Logs, String> {
        let Some(ratio) = overall.ratio else {
            return Err(overall.refused.clone().unwrap_or_else(|| "not enough evidence".to_owned()));
        };
        let half = overall.from.zip(overall.to).map(|(from, to)| 0.5 * (to / from).ln());
        Ok(Logs { ln: ratio.ln(), half })
    }

    fn both(&self, other: &Logs, ln: f64) -> Logs {
        Logs { ln, half: self.half.zip(other.half).map(|(a, b)| a.hypot(b)) }
    }

    fn times(&self, other: &Logs) -> Logs {
        self.both(other, self.ln + other.ln)
    }

    fn over(&self, other: &Logs) -> Logs {
        self.both(other, self.ln - other.ln)
    }

    fn ends(&self) -> (Option<f64>, Option<f64>) {
        (self.half.map(|half| (self.ln - half).exp()), self.half.map(|half| (self.ln + half).exp()))
    }

    fn quotient(&self) -> Quotient {
        let (from, to) = self.ends();
        Quotient { ratio: Some(self.ln.exp()), from, to, refused: None }
    }
}

fn refuse(why: &str) -> Quotient {
    Quotient { refused: Some(why.to_owned()), ..Quotient::default() }
}

fn price(worth: &Worth) -> Option<Logs> {
    worth.price.as_ref().map(|row| {
        let (ln, half) = row.ln();
        Logs { ln, half }
    })
}

fn prices(own: &Worth, other: &Worth) -> Option<(Logs, Logs)> {
    Some((price(own)?, price(other)?))
}

fn ceiling(own: &Worth, other: &Worth, performance: &Result<Logs, String>, query: &ValueQuery) -> Ceiling {
    let no = |why: &str| Ceiling { refused: Some(why.to_owned()), ..Ceiling::default() };
    let performance = match performance {
        Ok(logs) => logs,
        Err(why) => return no(why),
    };
    let (Some(paid), None) = (price(other), &other.refused) else {
        return no(other.refused.as_deref().unwrap_or("not enough evidence: no price"));
    };
    let before = paid.times(performance);
    let costs = own.power.cost_per_year.zip(other.power.cost_per_year);
    let power_difference = costs.map(|(card, alternative)| query.years * (card - alternative));
    let less = power_difference.unwrap_or(0.0);
    let (from, to) = before.ends();
    let (from, to) = (from.map(|v| v - less), to.map(|v| v - less));
    let asked = own.price.as_ref().and_then(|row| row.from.zip(row.to));
    let own_price = asked.zip(from.zip(to)).map(|((low, high), (from, to))| {
        let word = if high < from {
            "below"
        } else if low > to {
            "above"
        } else {
            "not told apart"
        };
        word.to_owned()
    });
    Ceiling {
        before_power: Some(before.ln.exp()),
        power_difference,
        price: Some(before.ln.exp() - less),
        from,
        to,
        own_price,
        refused: None,
    }
}

fn played(matches: &[Match], catalogue: &Catalogue, query: &ValueQuery, policy: &Policy) -> Played {
    let mut counts = Played::default();
    for row in matches {
        let workload = catalogue.workload(&row.workload);
        let scene = workload.and_then(|w| w.scene(&row.scene)).map(|scene| scene.kind);
        let floor = query.target_fps.or_else(|| workload.map(|w| floor_fps(w.kind, policy)));
        let (Some(floor), Some(card), Some(other)) = (floor, row.other.low_fps, row.base.low_fps) else {
            continue;
        };
        counts.configurations += 1;
        counts.card += u32::from(meets(in_play_fps(card, scene, policy), floor));
        counts.other += u32::from(meets(in_play_fps(other, scene, policy), floor));
    }
    counts
}
