//! Every table and column, once. Column types are those that both engines share.

mod desk;

pub(crate) use desk::*;

diesel::table! {
    accounts (id) {
        id -> Text,
        name -> Text,
        name_key -> Text,
        role -> Text,
        password_hash -> Text,
        created_at -> Timestamp,
        suspended_until -> Nullable<Timestamp>,
        hold_all_until -> Nullable<Timestamp>,
    }
}

diesel::table! {
    tokens (hash) {
        hash -> Text,
        id -> Text,
        account -> Text,
        label -> Text,
        scopes -> Text,
        created_at -> Timestamp,
        expires_at -> Timestamp,
        last_used_at -> Nullable<Timestamp>,
        revoked_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    sessions (hash) {
        hash -> Text,
        id -> Text,
        account -> Text,
        agent -> Text,
        created_at -> Timestamp,
        seen_at -> Timestamp,
        expires_at -> Timestamp,
    }
}

diesel::table! {
    invitations (hash) {
        hash -> Text,
        id -> Text,
        role -> Text,
        made_by -> Text,
        created_at -> Timestamp,
        expires_at -> Timestamp,
        used_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    second_factors (account) {
        account -> Text,
        secret -> Text,
        confirmed_at -> Nullable<Timestamp>,
        last_step -> BigInt,
    }
}

diesel::table! {
    recovery_codes (account, hash) {
        account -> Text,
        hash -> Text,
        used_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    catalogue (kind, id) {
        kind -> Text,
        id -> Text,
        position -> BigInt,
        revision -> BigInt,
        document -> Text,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    benches (id) {
        id -> Text,
        contributor -> Text,
        document -> Text,
        created_at -> Timestamp,
        parts -> Nullable<Text>,
    }
}

diesel::table! {
    runs (id) {
        id -> Text,
        revision -> BigInt,
        amended -> Bool,
        contributor -> Text,
        bench -> Text,
        verdict -> Text,
        outcome -> Text,
        grade -> Text,
        measured_day -> Integer,
        configuration -> Text,
        card -> Text,
        chip -> Nullable<Text>,
        driver -> Text,
        branch -> Nullable<Text>,
        driver_day -> Nullable<Integer>,
        workload -> Text,
        workload_kind -> Nullable<Text>,
        scene -> Text,
        scene_kind -> Text,
        build -> Nullable<Text>,
        api -> Text,
        preset -> Text,
        width -> BigInt,
        height -> BigInt,
        render_scale -> Double,
        variant -> Text,
        platform -> Text,
        mean_fps -> Nullable<Double>,
        low_percentile_fps -> Nullable<Double>,
        low_tail_mean_fps -> Nullable<Double>,
        low_time_share_fps -> Nullable<Double>,
        between_pass_cv -> Nullable<Double>,
    }
}

diesel::table! {
    submissions (run) {
        run -> Text,
        received_at -> Timestamp,
        measured_at -> Timestamp,
        fingerprint -> Text,
        document -> Text,
        statistics -> Text,
        blob -> Nullable<Text>,
        network -> Nullable<Text>,
    }
}

diesel::table! {
    passes (run, position) {
        run -> Text,
        position -> Integer,
        frames -> BigInt,
        hash -> Nullable<Text>,
    }
}

diesel::table! {
    fingerprints (pass) {
        pass -> BigInt,
        run -> Text,
        position -> Integer,
        signs -> Binary,
        keys -> Binary,
        anchors -> Binary,
    }
}

diesel::table! {
    shapes (run) {
        run -> Text,
        shape -> Binary,
    }
}

diesel::table! {
    scene_references (workload, scene, revision) {
        workload -> Text,
        scene -> Text,
        revision -> BigInt,
        made_at -> Timestamp,
        document -> Text,
    }
}

diesel::table! {
    findings (run, position) {
        run -> Text,
        position -> Integer,
        code -> Text,
        severity -> Text,
        pointer -> Text,
        message -> Text,
        advice -> Text,
        evidence -> Text,
    }
}

diesel::table! {
    traits (run) {
        run -> Text,
        family -> Nullable<Text>,
        memory_mib -> BigInt,
        preset_rank -> BigInt,
        cpu -> Text,
        single_channel -> Bool,
        comparable -> Bool,
        card_share -> Nullable<Double>,
    }
}

diesel::table! {
    judgements (run, ordinal) {
        run -> Text,
        ordinal -> Integer,
        at -> Timestamp,
        revision -> BigInt,
        cause -> Text,
        verdict -> Text,
        by_numbers -> Bool,
        by_conditions -> Bool,
        unconfirmed -> Bool,
        numbers -> Nullable<Text>,
    }
}

diesel::table! {
    models (number) {
        number -> BigInt,
        made_at -> Timestamp,
        revision -> BigInt,
        learnt -> BigInt,
        observations -> BigInt,
        parameters -> BigInt,
        steps -> BigInt,
        sigma -> Double,
        hold_z -> Double,
        blob -> Text,
        audit -> Text,
        priors -> Nullable<Text>,
        views -> Nullable<Text>,
    }
}

diesel::table! {
    proposals (kind, key) {
        kind -> Text,
        key -> Text,
        name -> Text,
        first_seen -> Timestamp,
    }
}

diesel::table! {
    proposal_runs (kind, key, run) {
        kind -> Text,
        key -> Text,
        run -> Text,
    }
}

diesel::table! {
    idempotency (account, key) {
        account -> Text,
        key -> Text,
        body_sha256 -> Text,
        run -> Text,
        receipt -> Text,
        created_at -> Timestamp,
    }
}

diesel::table! {
    prices (id) {
        id -> Text,
        revision -> BigInt,
        contributor -> Text,
        received_at -> Timestamp,
        fingerprint -> Text,
        verdict -> Text,
        by_numbers -> Bool,
        card -> Text,
        amount_minor -> BigInt,
        currency -> Text,
        day -> Integer,
        condition -> Text,
        country -> Text,
        source -> Text,
        document -> Text,
        findings -> Text,
        numbers -> Nullable<Text>,
    }
}

diesel::table! {
    audit (id) {
        id -> BigInt,
        at -> Timestamp,
        actor -> Text,
        action -> Text,
        subject -> Text,
        detail -> Text,
    }
}

diesel::table! {
    audit_links (id) {
        id -> BigInt,
        hash -> Text,
    }
}

diesel::joinable!(tokens -> accounts (account));
diesel::joinable!(sessions -> accounts (account));
diesel::joinable!(second_factors -> accounts (account));
diesel::joinable!(recovery_codes -> accounts (account));
diesel::joinable!(benches -> accounts (contributor));
diesel::joinable!(runs -> accounts (contributor));
diesel::joinable!(runs -> benches (bench));
diesel::joinable!(submissions -> runs (run));
diesel::joinable!(passes -> runs (run));
diesel::joinable!(fingerprints -> runs (run));
diesel::joinable!(shapes -> runs (run));
diesel::joinable!(findings -> runs (run));
diesel::joinable!(traits -> runs (run));
diesel::joinable!(judgements -> runs (run));
diesel::joinable!(proposal_runs -> runs (run));
diesel::joinable!(prices -> accounts (contributor));
diesel::joinable!(decisions -> runs (run));
diesel::joinable!(price_decisions -> prices (price));
diesel::joinable!(claims -> runs (run));
diesel::joinable!(appeals -> runs (run));
diesel::joinable!(corrections -> runs (run));
diesel::joinable!(measures -> accounts (account));

diesel::allow_tables_to_appear_in_same_query!(
    accounts,
    tokens,
    sessions,
    invitations,
    second_factors,
    recovery_codes,
    catalogue,
    benches,
    runs,
    submissions,
    passes,
    fingerprints,
    shapes,
    scene_references,
    findings,
    traits,
    judgements,
    models,
    proposals,
    proposal_runs,
    idempotency,
    prices,
    audit,
    audit_links,
    decisions,
    price_decisions,
    claims,
    appeals,
    corrections,
    measures,
    departures,
    ties,
    people,
);
