//! Run documents that are accepted.

use std::sync::OnceLock;

struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// One run document: `passes` passes of `frames` frames with a slow texture and some noise.
pub(crate) fn document(serial: u64, frames: usize, keys: &Keys) -> String {
    let mut noise = Noise(serial.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut passes = String::new();
    let level = keys.frame_ms * (1.0 + 0.04 * (noise.next() - 0.5));
    for pass in 0..3 {
        if pass > 0 {
            passes.push(',');
        }
        passes.push_str("{\"frame_times_ms\":[");
        let mut slow = 0.0;
        for frame in 0..frames {
            if frame > 0 {
                passes.push(',');
            }
            slow = 0.98 * slow + 0.02 * (noise.next() - 0.5);
            let ms = level * (1.0 + 0.8 * slow + 0.1 * (noise.next() - 0.5));
            passes.push_str(&format!("{ms:.3}"));
        }
        passes.push_str("]}");
    }
    format!(
        "{{\"schema\":\"run/1\",\"measured_at\":\"2024-05-04T10:00:00Z\",\
         \"bench\":{{\"name\":\"{bench}\",\"cpu\":{{\"model\":\"{cpu}\"}},\"memory\":{{\"size_mib\":8192,\"type\":\"DDR4\",\"channels\":2}},\"os\":{{\"name\":\"{os}\"}}}},\
         \"card\":{{\"id\":\"{card}\"}},\"driver\":{{\"vendor\":\"{vendor}\",\"version\":\"{version}\"}},\
         \"workload\":{{\"title\":\"{workload}\",\"scene\":{{\"name\":\"{scene}\",\"kind\":\"{kind}\"}}}},\
         \"settings\":{{\"api\":\"{api}\",\"preset\":\"{preset}\",\"width\":{w},\"height\":{h}}},\
         \"outcome\":\"completed\",\"passes\":[{passes}]}}",
        bench = keys.bench,
        cpu = keys.cpu,
        os = keys.os,
        card = keys.card,
        vendor = keys.vendor,
        version = keys.version,
        workload = keys.workload,
        scene = keys.scene,
        kind = keys.kind,
        api = keys.api,
        preset = keys.preset,
        w = keys.width,
        h = keys.height,
    )
}

/// What a run document names.
pub(crate) struct Keys {
    bench: String,
    cpu: String,
    os: String,
    pub(crate) card: String,
    vendor: String,
    version: String,
    workload: String,
    scene: String,
    kind: String,
    api: String,
    preset: String,
    width: u32,
    height: u32,
    frame_ms: f64,
}

/// Consistent keys drawn from the demo's catalogue, so that runs are accepted and spread over cells.
pub(crate) fn keys(serial: u64) -> Keys {
    static CATALOGUE: OnceLock<wearmark_core::catalogue::CatalogueDocument> = OnceLock::new();
    let catalogue = CATALOGUE.get_or_init(wearmark_seed_data::catalogue);
    let mut noise = Noise(serial.wrapping_mul(0xD134_2543_DE82_EF95) | 1);
    let mut pick = |n: usize| ((noise.next() + noise.next()).fract() * n as f64) as usize;
    loop {
        let card = &catalogue.cards[pick(catalogue.cards.len())];
        let chip = catalogue.chips.iter().find(|c| c.id == card.chip).unwrap();
        let driver = &catalogue.drivers[pick(catalogue.drivers.len())];
        let workload = &catalogue.workloads[pick(catalogue.workloads.len())];
        let scene = &workload.scenes[pick(workload.scenes.len())];
        let api = workload.apis.iter().find(|a| chip.apis.contains(a));
        let fits = driver.chips.contains(&card.chip)
            && driver.build.is_none()
            && driver.date.to_string().as_str() < "2024-05-01"
            && card.launch_date.to_string().as_str() < "2024-05-01"
            && card.form == wearmark_core::catalogue::Form::Desktop;
        let cpu = catalogue.cpus.iter().find(|c| {
            c.launch_date.to_string().as_str() < "2024-05-01"
                && c.memory_channels >= 2
                && c.memory.iter().any(|m| m.kind == "DDR4")
        });
        if let (true, Some(api), Some(cpu)) = (fits, api, cpu) {
            let (width, height) = [(1280, 720), (1920, 1080)][pick(2)];
            return Keys {
                bench: format!("bench {}", serial % 50),
                cpu: cpu.id.clone(),
                os: driver.systems[0].clone(),
                card: card.id.clone(),
                vendor: driver.vendor.clone(),
                version: driver.version.clone(),
                workload: workload.id.clone(),
                scene: scene.id.clone(),
                kind: scene.kind.as_str().to_owned(),
                api: api.clone(),
                preset: workload.presets[pick(workload.presets.len().min(2))].clone(),
                width,
                height,
                frame_ms: 18.0,
            };
        }
    }
}
