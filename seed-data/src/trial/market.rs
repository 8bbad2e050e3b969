//! The widened market: the demo's catalogue and 34 cards more of the same invented makers, on twelve chips
//! more, so that most configurations are measured by few.

use chrono::NaiveDate;
use wearmark_core::catalogue::{Card, CatalogueDocument, Chip, Form, PciId};

use crate::people;
use crate::truth::draw::{CARD_FPS, rate};

/// A chip: id, name, the demo's chip that it resembles, PCI device id.
const CHIPS: [(&str, &str, &str, &str); 12] = [
    ("twill-fine", "Twill Fine", "twill-narrow", "0x0331"),
    ("twill-stout", "Twill Stout", "twill-broad", "0x0341"),
    ("damask-fine", "Damask Fine", "damask-narrow", "0x0431"),
    ("damask-stout", "Damask Stout", "damask-broad", "0x0441"),
    ("damask-wide", "Damask Wide", "damask-broad", "0x0451"),
    ("corduroy-fine", "Corduroy Fine", "corduroy-narrow", "0x0531"),
    ("corduroy-stout", "Corduroy Stout", "corduroy-broad", "0x0541"),
    ("marl-fine", "Marl Fine", "marl-thin", "0x2a30"),
    ("marl-stout", "Marl Stout", "marl-thick", "0x2a40"),
    ("chert-fine", "Chert Fine", "chert-thin", "0x2b30"),
    ("chert-stout", "Chert Stout", "chert-thick", "0x2b40"),
    ("chert-slab", "Chert Slab", "chert-thick", "0x2b50"),
];

/// A card that the demo does not have.
struct More {
    id: &'static str,
    name: &'static str,
    chip: &'static str,
    memory_mib: u64,
    bus_width_bits: u32,
    board_power_w: f64,
    /// Year and month of its launch; always on the 12th.
    launch: (i32, u32),
    /// Frames per second on the average workload at preset `High`, 1920x1080.
    fps: f64,
    /// How many have it, relative to the others.
    popularity: f64,
}

macro_rules! cards {
    ($($id:literal $name:literal on $chip:literal: $mib:literal MiB, $bus:literal bits, $watts:literal W, $year:literal-$month:literal, $fps:literal fps, x $popularity:literal;)*) => {
        &[$(More {
            id: $id, name: $name, chip: $chip, memory_mib: $mib, bus_width_bits: $bus, board_power_w: $watts,
            launch: ($year, $month), fps: $fps, popularity: $popularity,
        }),*]
    };
}

const CARDS: &[More] = cards! {
    "pelloram-lantern-10" "Pelloram Lantern 10" on "twill-fine": 1024 MiB, 64 bits, 38.0 W, 2012-11, 14.0 fps, x 0.4;
    "pelloram-lantern-11" "Pelloram Lantern 11" on "twill-fine": 2048 MiB, 64 bits, 41.0 W, 2013-2, 16.5 fps, x 0.5;
    "pelloram-lantern-14" "Pelloram Lantern 14" on "twill-narrow": 2048 MiB, 128 bits, 68.0 W, 2013-1, 23.0 fps, x 0.7;
    "pelloram-lantern-16" "Pelloram Lantern 16" on "twill-broad": 1024 MiB, 128 bits, 84.0 W, 2013-3, 31.0 fps, x 0.6;
    "pelloram-lantern-19" "Pelloram Lantern 19" on "twill-stout": 3072 MiB, 192 bits, 145.0 W, 2013-6, 44.0 fps, x 1.1;
    "pelloram-lantern-20" "Pelloram Lantern 20" on "twill-stout": 4096 MiB, 256 bits, 170.0 W, 2013-6, 50.0 fps, x 0.8;
    "pelloram-lantern-21" "Pelloram Lantern 21" on "damask-fine": 1024 MiB, 64 bits, 45.0 W, 2015-8, 27.0 fps, x 0.6;
    "pelloram-lantern-23" "Pelloram Lantern 23" on "damask-fine": 2048 MiB, 128 bits, 55.0 W, 2015-9, 34.0 fps, x 1.5;
    "pelloram-lantern-24" "Pelloram Lantern 24" on "damask-narrow": 4096 MiB, 128 bits, 75.0 W, 2015-10, 46.0 fps, x 1.8;
    "pelloram-lantern-25" "Pelloram Lantern 25" on "damask-broad": 2048 MiB, 192 bits, 110.0 W, 2015-5, 63.0 fps, x 0.9;
    "pelloram-lantern-28" "Pelloram Lantern 28" on "damask-stout": 4096 MiB, 256 bits, 150.0 W, 2015-3, 81.0 fps, x 1.6;
    "pelloram-lantern-29" "Pelloram Lantern 29" on "damask-stout": 8192 MiB, 256 bits, 165.0 W, 2015-11, 87.0 fps, x 0.8;
    "pelloram-lantern-30" "Pelloram Lantern 30" on "damask-wide": 6144 MiB, 384 bits, 210.0 W, 2016-2, 97.0 fps, x 0.6;
    "pelloram-lantern-31" "Pelloram Lantern 31" on "corduroy-fine": 2048 MiB, 128 bits, 60.0 W, 2018-5, 58.0 fps, x 1.3;
    "pelloram-lantern-32" "Pelloram Lantern 32" on "corduroy-fine": 4096 MiB, 128 bits, 70.0 W, 2018-5, 68.0 fps, x 2.2;
    "pelloram-lantern-34" "Pelloram Lantern 34" on "corduroy-narrow": 6144 MiB, 192 bits, 105.0 W, 2018-2, 92.0 fps, x 1.4;
    "pelloram-lantern-35" "Pelloram Lantern 35" on "corduroy-narrow": 8192 MiB, 192 bits, 115.0 W, 2018-9, 99.0 fps, x 0.7;
    "pelloram-lantern-37" "Pelloram Lantern 37" on "corduroy-broad": 4096 MiB, 256 bits, 150.0 W, 2017-11, 122.0 fps, x 0.6;
    "pelloram-lantern-39" "Pelloram Lantern 39" on "corduroy-stout": 8192 MiB, 256 bits, 190.0 W, 2018-3, 158.0 fps, x 0.9;
    "pelloram-lantern-40" "Pelloram Lantern 40" on "corduroy-stout": 12288 MiB, 384 bits, 230.0 W, 2018-8, 182.0 fps, x 0.4;
    "draywick-kiln-sienna" "Draywick Kiln Sienna" on "marl-fine": 1024 MiB, 64 bits, 40.0 W, 2013-11, 15.0 fps, x 0.5;
    "draywick-kiln-bistre" "Draywick Kiln Bistre" on "marl-fine": 2048 MiB, 64 bits, 44.0 W, 2014-1, 18.0 fps, x 0.6;
    "draywick-kiln-madder" "Draywick Kiln Madder" on "marl-thin": 2048 MiB, 128 bits, 80.0 W, 2014-2, 28.0 fps, x 1.0;
    "draywick-kiln-saffron" "Draywick Kiln Saffron" on "marl-stout": 3072 MiB, 384 bits, 200.0 W, 2014-4, 55.0 fps, x 0.9;
    "draywick-kiln-cinnabar" "Draywick Kiln Cinnabar" on "marl-stout": 4096 MiB, 512 bits, 240.0 W, 2014-9, 61.0 fps, x 0.5;
    "draywick-kiln-cobalt" "Draywick Kiln Cobalt" on "chert-fine": 1024 MiB, 64 bits, 48.0 W, 2016-10, 28.0 fps, x 0.5;
    "draywick-kiln-indigo-2g" "Draywick Kiln Indigo 2G" on "chert-fine": 2048 MiB, 128 bits, 55.0 W, 2016-10, 35.0 fps, x 1.2;
    "draywick-kiln-indigo-4g" "Draywick Kiln Indigo 4G" on "chert-fine": 4096 MiB, 128 bits, 58.0 W, 2016-11, 37.0 fps, x 1.6;
    "draywick-kiln-woad" "Draywick Kiln Woad" on "chert-thin": 8192 MiB, 256 bits, 125.0 W, 2017-1, 59.0 fps, x 0.8;
    "draywick-kiln-weld-4g" "Draywick Kiln Weld 4G" on "chert-stout": 4096 MiB, 256 bits, 145.0 W, 2016-9, 79.0 fps, x 1.7;
    "draywick-kiln-weld-8g" "Draywick Kiln Weld 8G" on "chert-stout": 8192 MiB, 256 bits, 155.0 W, 2016-9, 84.0 fps, x 1.3;
    "draywick-kiln-lapis" "Draywick Kiln Lapis" on "chert-thick": 4096 MiB, 256 bits, 150.0 W, 2017-3, 92.0 fps, x 0.9;
    "draywick-kiln-malachite" "Draywick Kiln Malachite" on "chert-slab": 8192 MiB, 512 bits, 225.0 W, 2017-8, 121.0 fps, x 0.7;
    "draywick-kiln-orpiment" "Draywick Kiln Orpiment" on "chert-slab": 12288 MiB, 512 bits, 250.0 W, 2017-12, 139.0 fps, x 0.4;
};

/// The catalogue of the evaluation's worlds: the demo's, widened. Every driver release that supports a chip
/// supports the chips that resemble it.
pub fn catalogue() -> CatalogueDocument {
    let mut document = crate::catalogue();
    for (id, name, like, device) in CHIPS {
        let Some(like) = document.chips.iter().find(|c| c.id == like).cloned() else { continue };
        for driver in document.drivers.iter_mut().filter(|d| d.chips.contains(&like.id)) {
            driver.chips.push(id.to_owned());
        }
        let vendor = like.pci_ids.first().map(|p| p.vendor.clone()).unwrap_or_default();
        document.chips.push(Chip {
            id: id.to_owned(),
            name: name.to_owned(),
            aliases: Vec::new(),
            pci_ids: vec![PciId { vendor, device: device.to_owned() }],
            ..like
        });
    }
    document.cards.extend(CARDS.iter().map(|more| Card {
        id: more.id.to_owned(),
        name: more.name.to_owned(),
        aliases: Vec::new(),
        chip: more.chip.to_owned(),
        form: Form::Desktop,
        memory_mib: more.memory_mib,
        memory_type: "GDDR5".to_owned(),
        bus_width_bits: more.bus_width_bits,
        board_power_w: more.board_power_w,
        launch_date: NaiveDate::from_ymd_opt(more.launch.0, more.launch.1, 12).unwrap_or_default(),
    }));
    document
}

/// Per card of the catalogue: frames per second on the average workload at preset `High`, 1920x1080.
pub(super) fn fps() -> Vec<f64> {
    let demo = crate::catalogue().cards;
    demo.iter().map(|c| rate(CARD_FPS, &c.id)).chain(CARDS.iter().map(|more| more.fps)).collect()
}

/// Per card of the catalogue: how many have it, relative to the others.
pub(super) fn popularity() -> Vec<f64> {
    let demo = crate::catalogue().cards;
    demo.iter().map(|c| people::popularity(&c.id)).chain(CARDS.iter().map(|more| more.popularity)).collect()
}
