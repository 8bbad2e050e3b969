//! Tables of the moderator's desk.

diesel::table! {
    decisions (id) {
        id -> BigInt,
        at -> Timestamp,
        moderator -> Text,
        run -> Text,
        decision -> Text,
        reason -> Text,
        was -> Text,
        becomes -> Text,
        original -> Nullable<Text>,
        reverts -> Nullable<BigInt>,
        batch -> Nullable<Text>,
        revision -> BigInt,
        close -> Bool,
    }
}

diesel::table! {
    price_decisions (id) {
        id -> BigInt,
        at -> Timestamp,
        moderator -> Text,
        price -> Text,
        decision -> Text,
        reason -> Text,
        was -> Text,
        becomes -> Text,
        revision -> BigInt,
        close -> Bool,
    }
}

diesel::table! {
    claims (run) {
        run -> Text,
        moderator -> Text,
        until -> Timestamp,
    }
}

diesel::table! {
    appeals (run) {
        run -> Text,
        at -> Timestamp,
        words -> Text,
    }
}

diesel::table! {
    measures (id) {
        id -> BigInt,
        account -> Text,
        kind -> Text,
        words -> Text,
        moderator -> Text,
        at -> Timestamp,
        until -> Nullable<Timestamp>,
        lifted_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    ties (first, second) {
        first -> Text,
        second -> Text,
        kinds -> Text,
        seen_at -> Timestamp,
        separated_by -> Nullable<Text>,
        separated_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    people (account, revision) {
        account -> Text,
        revision -> BigInt,
        person -> Text,
    }
}

diesel::table! {
    departures (subject) {
        subject -> Text,
        revision -> BigInt,
        at -> Timestamp,
    }
}

diesel::table! {
    corrections (id) {
        id -> BigInt,
        run -> Text,
        moderator -> Text,
        at -> Timestamp,
        changes -> Text,
        reason -> Text,
        answered_at -> Nullable<Timestamp>,
        agreed -> Nullable<Bool>,
        became -> Nullable<Text>,
    }
}
