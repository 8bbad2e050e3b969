//! Networks as keyed hashes: enough to tell that two are the same, and nothing else.

use std::fs;
use std::io::{self, Write as _};
use std::net::IpAddr;
use std::path::Path;

use hmac::{Hmac, Mac as _};
use sha2::Sha256;

use super::canonical;
use super::error::StorageError;

/// The key of network hashes: random, in a file of its own beside the database, so that neither says anything alone.
pub(crate) struct NetworkKey([u8; 32]);

impl NetworkKey {
    /// Reads the key, which is made when it is missing.
    pub(crate) fn open(folder: &Path) -> Result<NetworkKey, StorageError> {
        let doing = "reading the key of network hashes";
        let path = folder.join("network.key");
        let key: [u8; 32] = rand::random();
        let mut options = fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        match options.open(&path) {
            Ok(mut file) => {
                file.write_all(&key).and_then(|()| file.sync_all()).map_err(StorageError::file(doing))?;
                Ok(NetworkKey(key))
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let bytes = fs::read(&path).map_err(StorageError::file(doing))?;
                let key = bytes.try_into().map_err(|_| StorageError::Damaged {
                    what: "the key of network hashes is not of 32 bytes".to_owned(),
                })?;
                Ok(NetworkKey(key))
            }
            Err(error) => Err(StorageError::File { doing, source: error }),
        }
    }

    /// The keyed hash of an address; none for one that says nothing of a person: of this machine, of a private
    /// network, of a provider's inside (RFC 6890).
    pub(crate) fn hash(&self, address: IpAddr) -> Option<String> {
        let public = match address {
            IpAddr::V4(v4) => {
                let [a, b, ..] = v4.octets();
                let inside = a == 100 && (64..128).contains(&b);
                !(v4.is_loopback() || v4.is_private() || v4.is_link_local() || v4.is_unspecified() || inside)
            }
            IpAddr::V6(v6) => {
                !(v6.is_loopback()
                    || v6.is_unspecified()
                    || v6.is_unique_local()
                    || v6.is_unicast_link_local())
            }
        };
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).ok().filter(|_| public)?;
        mac.update(address.to_string().as_bytes());
        Some(canonical::hex(&mac.finalize().into_bytes()[..16]))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn only_addresses_that_say_something_are_hashed_and_always_alike() {
        let folder = tempfile::tempdir().unwrap();
        let key = NetworkKey::open(folder.path()).unwrap();
        let again = NetworkKey::open(folder.path()).unwrap();
        let hash = |key: &NetworkKey, text: &str| key.hash(text.parse().unwrap());
        for nobody in [
            "127.0.0.1",
            "::1",
            "10.1.2.3",
            "192.168.1.1",
            "172.20.0.9",
            "100.64.0.1",
            "169.254.1.1",
            "fd00::1",
            "fe80::1",
            "0.0.0.0",
        ] {
            assert_eq!(hash(&key, nobody), None, "{nobody}");
        }
        // Addresses set aside for documentation, RFC 5737 and RFC 3849.
        let one = hash(&key, "203.0.113.9").unwrap();
        assert_eq!(Some(&one), hash(&again, "203.0.113.9").as_ref());
        assert_ne!(Some(&one), hash(&key, "203.0.113.10").as_ref());
        assert!(hash(&key, "2001:db8::1").is_some());
        let other = NetworkKey::open(tempfile::tempdir().unwrap().path()).unwrap();
        assert_ne!(Some(one), hash(&other, "203.0.113.9"));
    }
}
