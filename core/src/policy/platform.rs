//! Thresholds of the platform match. Constants, not settings: they follow from how the things are made
//! and named, not from how strict a service wants to be.

/// Days by which a date may lie after the run before it contradicts it: time zones, and releases that
/// reach the public a day before their date. Common practice.
pub const DATE_SLACK_DAYS: i64 = 2;

/// Days before its first day of sale on which a part may be in a bench without a word: shops deliver
/// early. Common practice.
pub const LAUNCH_SLACK_DAYS: i64 = 7;

/// Days before its first day of sale from which nobody outside the maker has a part: test samples go
/// out some weeks ahead. Common practice.
pub const LAUNCH_IMPOSSIBLE_DAYS: i64 = 90;

/// Days by which a stated driver date may differ from the catalogue's without a word: the day in the
/// package, the day on the maker's page and the day of installation differ. Common practice.
pub const DRIVER_DATE_SLACK_DAYS: i64 = 14;

/// Days of difference from which the date is that of another release: releases of one branch come a few
/// weeks apart. Common practice.
pub const DRIVER_DATE_OTHER_DAYS: i64 = 60;

/// Hours of rest that end a sitting: in that time somebody may well install another driver and come back to the first.
pub const SITTING_GAP_HOURS: i64 = 3;

/// Runs on another release, in the same sitting of a bench, among which a single run on its own release stands out.
pub const SITTING_OTHERS: usize = 4;

/// How far a stated card memory size may lie from the catalogue's, relative: programs report up to a few
/// per cent less than is fitted, since some is reserved. Sizes on sale differ by 9 % at least (10 and
/// 11 GiB). Common practice.
pub const CARD_MEMORY_TOLERANCE: f64 = 0.05;

/// Memory in use over memory fitted from which the reading is another card's: programs count a little of
/// the system's memory as the card's. Common practice.
pub const MEMORY_USED_FACTOR: f64 = 1.1;

/// Memory speed over the top rated one from which it is worth a remark: ordinary overclocked modules
/// stay within a third. Common practice.
pub const MEMORY_SPEED_REMARK: f64 = 1.35;

/// The same from which the figure is no transfer rate of such memory. Common practice.
pub const MEMORY_SPEED_ABSURD: f64 = 2.0;

/// Board power over the rated one (or over the stated limit, if that is higher) from which the reading is
/// wrong or another card's: limits are raised by a fifth or a half, never doubled. Common practice.
pub const BOARD_POWER_FACTOR: f64 = 2.0;

/// Kelvin by which a card may read cooler than the room: both thermometers err by a kelvin or two.
pub const COOLER_SLACK_K: f64 = 3.0;

/// Card temperature worth a caution, degrees Celsius: makers let cards slow down at about 85 to 95 and
/// switch off somewhat above 100. Common practice.
pub const CARD_VERY_HOT_C: f64 = 100.0;

/// Mean rate over a declared frame cap from which a summary without frame times is the cap's figure: a
/// card that stays a tenth below a cap rarely meets it. Common practice.
pub const SUMMARY_AT_CAP: f64 = 0.9;

/// Lanes a PCI Express link can have (PCI-SIG, PCI Express Base Specification, link widths).
pub const PCIE_LANES: [u32; 7] = [1, 2, 4, 8, 12, 16, 32];

/// Newest PCI Express generation that is published (PCI-SIG, revision 7.0, 2025).
pub const PCIE_NEWEST_GENERATION: u32 = 7;

/// Memory device types of SMBIOS (DMTF DSP0134 version 3.7, section 7.18.2), codes 0x01 to 0x24 in
/// order, reserved ones left out. Codes above belong to later versions.
pub const SMBIOS_MEMORY_TYPES: [(u8, &str); 33] = [
    (0x01, "Other"),
    (0x02, "Unknown"),
    (0x03, "DRAM"),
    (0x04, "EDRAM"),
    (0x05, "VRAM"),
    (0x06, "SRAM"),
    (0x07, "RAM"),
    (0x08, "ROM"),
    (0x09, "FLASH"),
    (0x0A, "EEPROM"),
    (0x0B, "FEPROM"),
    (0x0C, "EPROM"),
    (0x0D, "CDRAM"),
    (0x0E, "3DRAM"),
    (0x0F, "SDRAM"),
    (0x10, "SGRAM"),
    (0x11, "RDRAM"),
    (0x12, "DDR"),
    (0x13, "DDR2"),
    (0x14, "DDR2 FB-DIMM"),
    (0x18, "DDR3"),
    (0x19, "FBD2"),
    (0x1A, "DDR4"),
    (0x1B, "LPDDR"),
    (0x1C, "LPDDR2"),
    (0x1D, "LPDDR3"),
    (0x1E, "LPDDR4"),
    (0x1F, "Logical non-volatile device"),
    (0x20, "HBM"),
    (0x21, "HBM2"),
    (0x22, "DDR5"),
    (0x23, "LPDDR5"),
    (0x24, "HBM3"),
];
