//! Facts of the trade as check values, each marked with where it comes from.

use wearmark_core::catalogue::WorkloadKind;
use wearmark_core::ladder::{LimitedBy, Rung, limited_by};
use wearmark_core::policy::Policy;
use wearmark_core::run::{MemoryClaim, SceneKind, Telemetry};
use wearmark_core::target::{delivery, floor_fps, in_play_fps, meets};

fn plays(low_fps: f64, kind: WorkloadKind) -> bool {
    meets(low_fps, floor_fps(kind, &Policy::published()))
}

/// Common practice: 30 fps for one player, 60 fps against others, on the 1% low, not on the mean.
#[test]
fn the_floor_is_thirty_alone_and_sixty_against_others_on_the_one_per_cent_low() {
    let policy = Policy::published();
    assert_eq!(floor_fps(WorkloadKind::SinglePlayer, &policy), 30.0);
    assert_eq!(floor_fps(WorkloadKind::Multiplayer, &policy), 60.0);
    assert!(plays(30.0, WorkloadKind::SinglePlayer), "met at exactly 30");
    // mean 38, low 35 plays; mean 49, low 23 does not, although its mean is higher.
    assert!(plays(35.0, WorkloadKind::SinglePlayer));
    assert!(!plays(23.0, WorkloadKind::SinglePlayer));
    // mean 73, low 52 misses; mean 127, low 84 meets.
    assert!(!plays(52.0, WorkloadKind::Multiplayer));
    assert!(plays(84.0, WorkloadKind::Multiplayer));
}

/// Common practice: a live match runs at about 80 % of what a practice area shows.
#[test]
fn a_live_match_leaves_four_fifths_of_a_practice_area() {
    let policy = Policy::published();
    let live = in_play_fps(174.0, Some(SceneKind::PracticeArea), &policy);
    assert_eq!(live.round(), 139.0);
    assert_eq!(in_play_fps(174.0, Some(SceneKind::LiveMatch), &policy), 174.0);
}

/// Common practice: a 1% low at three quarters of the mean counts as even delivery.
#[test]
fn a_low_at_three_quarters_of_the_mean_is_even() {
    let policy = Policy::published();
    assert_eq!(delivery(75.0, 100.0, &policy), "even");
    assert_eq!(delivery(74.9, 100.0, &policy), "uneven");
    // mean 73, low 52 (0.71) and mean 49, low 23 (0.47) are not even; mean 38, low 35 (0.92) is.
    assert_eq!([delivery(52.0, 73.0, &policy), delivery(23.0, 49.0, &policy)], ["uneven", "uneven"]);
    assert_eq!(delivery(35.0, 38.0, &policy), "even");
}

/// Common practice: a rate that does not rise as the resolution falls is the platform's.
#[test]
fn resolution_ladders_tell_the_card_from_the_platform() {
    let ladder = |rates: &[(u32, u32, f64)]| -> Vec<Rung> {
        rates.iter().map(|&(width, height, mean_fps)| Rung { width, height, mean_fps, alone: None }).collect()
    };
    let below = ladder(&[(1920, 1080, 170.0), (1600, 900, 200.0), (1280, 720, 200.0)]);
    assert_eq!(limited_by(&below, 1600, 900), Some(LimitedBy::Platform));
    assert_eq!(limited_by(&below, 1280, 720), Some(LimitedBy::Platform));
    assert_ne!(limited_by(&below, 1920, 1080), Some(LimitedBy::Platform));

    let card = ladder(&[(1920, 1080, 174.0), (1280, 720, 327.0)]);
    assert_eq!(limited_by(&card, 1920, 1080), Some(LimitedBy::Card));

    let flat = ladder(&[(1920, 1080, 120.0), (1600, 900, 120.0), (1280, 720, 120.0)]);
    for (width, height) in [(1920, 1080), (1600, 900), (1280, 720)] {
        assert_eq!(limited_by(&flat, width, height), Some(LimitedBy::Platform), "{width}x{height}");
    }
}

/// Common practice: coolers are compared by kelvin over the room.
#[test]
fn seventy_eight_degrees_in_a_room_of_twenty_five_is_fifty_three_kelvin_over() {
    let telemetry = Telemetry {
        card_temperature_c: Some(78.0),
        ambient_temperature_c: Some(25.0),
        ..Telemetry::default()
    };
    assert_eq!(telemetry.over_ambient_k(), Some(53.0));
    assert_eq!(Telemetry { ambient_temperature_c: None, ..telemetry }.over_ambient_k(), None);
}

/// JEDEC arithmetic (JESD79-3, 64-bit channels): channels x 8 bytes x MT/s.
#[test]
fn two_channels_at_1600_mega_transfers_carry_25_6_gigabytes_a_second() {
    let memory = MemoryClaim {
        size_mib: 8192,
        kind: Some("DDR3".to_owned()),
        channels: Some(2),
        speed_mts: Some(1600.0),
    };
    assert_eq!(memory.bandwidth_gb_s(), Some(25.6));
}
