//! Names of graphics APIs: one family, several spellings, versions more or less exact.

use super::naming::slug;

/// An API name taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Api {
    /// Letters of the name in lower case, abbreviations of the trade written out.
    family: String,
    /// Version, most significant part first; empty when not stated.
    version: Vec<u32>,
}

/// Abbreviations and older names in general use, longest first, and the family they mean.
const FAMILIES: [(&str, &str); 8] = [
    ("direct3d", "directx"),
    ("opengles", "opengles"),
    ("d3d", "directx"),
    ("gles", "opengles"),
    ("dx", "directx"),
    ("ogl", "opengl"),
    ("gl", "opengl"),
    ("vk", "vulkan"),
];

/// Families as they are written out.
const SPELLINGS: [(&str, &str); 4] =
    [("directx", "DirectX"), ("opengl", "OpenGL"), ("opengles", "OpenGL ES"), ("vulkan", "Vulkan")];

impl Api {
    /// Takes a name apart: letters, then a version of numbers with dots.
    pub fn parse(name: &str) -> Api {
        let lower: String =
            name.to_lowercase().chars().filter(|c| c.is_alphanumeric() || *c == '.').collect();
        for (abbreviation, family) in FAMILIES {
            // An abbreviation stands alone or before a version; `glide` is not `gl`.
            if let Some(rest) = lower.strip_prefix(abbreviation)
                && !rest.starts_with(char::is_alphabetic)
            {
                return Api { family: family.to_owned(), version: version(rest) };
            }
        }
        let digit = lower.find(|c: char| c.is_ascii_digit()).unwrap_or(lower.len());
        let (family, rest) = lower.split_at(digit);
        // `Vulkan v1.3`: the v is no part of the name.
        let family = family.trim_end_matches('.');
        let family = family.strip_suffix('v').filter(|f| f.len() > 2 && !rest.is_empty()).unwrap_or(family);
        Api { family: family.to_owned(), version: version(rest) }
    }

    /// Whether a part that runs APIs up to `self` runs `claimed`: the same family, and no later version as
    /// far as both state one.
    pub fn runs(&self, claimed: &Api) -> bool {
        self.family == claimed.family && {
            let both = self.version.len().min(claimed.version.len());
            claimed.version[..both] <= self.version[..both]
        }
    }

    /// Whether both mean the same API: the same family and major version, as far as both state one.
    pub fn same_api(&self, other: &Api) -> bool {
        self.family == other.family
            && match (self.version.first(), other.version.first()) {
                (Some(a), Some(b)) => a == b,
                _ => true,
            }
    }

    /// Whether both are of one family.
    pub fn same_family(&self, other: &Api) -> bool {
        self.family == other.family
    }

    /// The name written out.
    fn spelled(&self, claim: &str) -> String {
        let Some((_, name)) = SPELLINGS.iter().find(|(family, _)| *family == self.family) else {
            return format!("?{}", slug(claim));
        };
        let version: Vec<String> = self.version.iter().map(u32::to_string).collect();
        if version.is_empty() { (*name).to_owned() } else { format!("{name} {}", version.join(".")) }
    }
}

/// Leading numbers with dots between them.
fn version(text: &str) -> Vec<u32> {
    text.split('.')
        .map_while(|part| {
            let digits = part.find(|c: char| !c.is_ascii_digit()).unwrap_or(part.len());
            part[..digits].parse().ok()
        })
        .collect()
}

/// The name under which runs are pooled: the workload's spelling of the API that is meant, else the claim
/// written out, else a slug after a question mark.
pub fn canonical(claim: &str, of_workload: &[String]) -> String {
    let claimed = Api::parse(claim);
    let same: Vec<(&String, Api)> =
        of_workload.iter().map(|a| (a, Api::parse(a))).filter(|(_, a)| a.same_api(&claimed)).collect();
    let exact = same.iter().find(|(_, a)| *a == claimed);
    match (exact, same.as_slice()) {
        (Some((name, _)), _) | (None, [(name, _)]) => (*name).clone(),
        _ => claimed.spelled(claim),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(listed: &str, claimed: &str) -> bool {
        Api::parse(listed).runs(&Api::parse(claimed))
    }

    #[test]
    fn spellings_of_one_api_are_the_same() {
        for (a, b) in [
            ("Vulkan 1.3", "vulkan v1.3"),
            ("DirectX 12", "DX12"),
            ("Direct3D 11", "d3d11"),
            ("OpenGL 4.6", "GL 4.6"),
            ("OpenGL ES 3.2", "GLES 3.2"),
        ] {
            assert_eq!(Api::parse(a), Api::parse(b), "{a} {b}");
        }
        assert!(!Api::parse("OpenGL ES 3.2").same_family(&Api::parse("OpenGL 3.2")));
    }

    #[test]
    fn an_earlier_version_runs_where_a_later_one_does_and_not_the_reverse() {
        assert!(runs("Vulkan 1.3", "Vulkan 1.0"));
        assert!(!runs("Vulkan 1.0", "Vulkan 1.3"));
        assert!(runs("Vulkan", "Vulkan 1.3"));
        assert!(runs("DirectX 12", "DirectX 12.1"));
        assert!(!runs("DirectX 11", "DirectX 12"));
        assert!(!runs("OpenGL 4.6", "Vulkan 1.0"));
    }

    #[test]
    fn runs_are_pooled_under_the_workloads_spelling() {
        let apis = ["DirectX 11".to_owned(), "DirectX 12".to_owned(), "Vulkan".to_owned()];
        assert_eq!(canonical("vulkan 1.2", &apis), "Vulkan");
        assert_eq!(canonical("dx 12", &apis), "DirectX 12");
        assert_eq!(canonical("DirectX", &apis), "DirectX");
        assert_eq!(canonical("OpenGL 4.5", &apis), "OpenGL 4.5");
        assert_eq!(canonical("Soft pixels 2", &apis), "?soft-pixels-2");
    }
}
