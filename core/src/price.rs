//! Prices of cards: what was asked or paid for one, where, when and in which condition.

pub mod currency;
pub mod country;
pub mod judge;
pub mod market;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

/// One price report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PriceReport {
    /// Version of the document form: `price/1`.
    pub schema: String,
    /// The card: a catalogue id or a name.
    pub card: String,
    /// The amount in minor units of the currency (cents of a euro), exactly.
    pub amount_minor: u64,
    /// Currency, alphabetic code of ISO 4217.
    pub currency: String,
    /// The day of the sale, or on which the offer stood.
    pub date: NaiveDate,
    /// The card's condition.
    pub condition: Condition,
    /// Country of the seller, alpha-2 code of ISO 3166-1.
    pub country: String,
    /// What kind of price it is.
    pub source: PriceSource,
    /// Anything else worth saying.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Declares an enum of words of the document.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$of:meta])* $variant:ident $word:literal,)+ }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$of])* #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            /// All of them.
            pub const ALL: &[$name] = &[$($name::$variant,)+];

            /// The word used in documents, tables and the database.
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $word,)+ }
            }

            /// What a word stands for.
            pub fn parse(word: &str) -> Option<$name> {
                $name::ALL.iter().copied().find(|known| known.as_str() == word)
            }
        }
    };
}

words! {
    /// The condition in which a card was sold or offered.
    Condition {
        /// Unused, sealed or as good as that.
        New "new",
        /// Unpacked, not used.
        OpenBox "open-box",
        /// Used, tested and cleaned by a seller who vouches for it.
        Refurbished "refurbished",
        /// Used and said to work.
        Used "used",
        /// Used, and nobody says that it works.
        Untested "untested",
        /// Broken, or sold for its parts.
        ForParts "for-parts",
    }
}

words! {
    /// Conditions that are pooled: a buyer expects the same of all of a class.
    ConditionClass {
        /// `new` and `open-box`.
        New "new",
        /// `refurbished` and `used`.
        SecondHand "second-hand",
        /// `untested` and `for-parts`.
        Faulty "faulty",
    }
}

words! {
    /// What kind of price it is.
    PriceSource {
        /// Somebody paid it.
        CompletedSale "completed-sale",
        /// A shop sells at it.
        ShopOffer "shop-offer",
        /// Somebody asks it; nobody has paid it yet.
        AskingPrice "asking-price",
    }
}

impl Condition {
    /// The class that it is pooled in.
    pub fn class(self) -> ConditionClass {
        match self {
            Condition::New | Condition::OpenBox => ConditionClass::New,
            Condition::Refurbished | Condition::Used => ConditionClass::SecondHand,
            Condition::Untested | Condition::ForParts => ConditionClass::Faulty,
        }
    }
}

/// A stored price report, reduced to what judgement and tables need.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PriceFact {
    /// Price id.
    pub id: String,
    /// Contributor id.
    pub contributor: String,
    /// Card id.
    pub card: String,
    /// Currency code.
    pub currency: String,
    /// Amount, minor units.
    pub amount_minor: u64,
    /// Days from 1970-01-01.
    pub day: i32,
    /// Condition.
    pub condition: Condition,
    /// Country code.
    pub country: String,
    /// Kind of price.
    pub source: PriceSource,
}

/// Days from 1970-01-01.
pub fn day_of(date: NaiveDate) -> i32 {
    date.num_days_from_ce() - NaiveDate::default().num_days_from_ce()
}

/// The date of a number of days from 1970-01-01; the calendar's first or last where there is none.
pub fn date_of(day: i32) -> NaiveDate {
    let end = if day < 0 { NaiveDate::MIN } else { NaiveDate::MAX };
    NaiveDate::default().checked_add_signed(chrono::Duration::days(i64::from(day))).unwrap_or(end)
}
