//! The service over TLS with a certificate of its own, as `--tls-certificate` and `--tls-key` give it.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use wearmark_tests::binary::binary;
use wearmark_tests::served::{PASSWORD, Served, add_account};

/// A certificate of this machine's address that signs itself, and its key.
fn made(folder: &Path, name: &str) -> (PathBuf, PathBuf) {
    let made =
        rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned(), "localhost".to_owned()]).unwrap();
    let (certificate, key) = (folder.join(format!("{name}.pem")), folder.join(format!("{name}.key")));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    (certificate, key)
}

fn serving(data: &Path, certificate: &Path, key: &Path) -> Command {
    let mut command = Command::new(binary());
    command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(data);
    command.arg("--tls-certificate").arg(certificate).arg("--tls-key").arg(key);
    command
}

fn medians(url: &str, trusted: Option<&Path>) -> Output {
    let mut command = Command::new(binary());
    command.args(["table", "--server", url]);
    match trusted {
        Some(file) => command.env("WEARMARK_CA", file),
        None => command.env_remove("WEARMARK_CA"),
    };
    command.output().unwrap()
}

#[test]
fn who_trusts_the_certificate_is_served_and_nobody_in_the_clear() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    add_account(&binary(), &data, "ada");
    let (certificate, key) = made(folder.path(), "own");
    let (other, _) = made(folder.path(), "other");
    let served = Served::from_command(serving(&data, &certificate, &key));
    assert!(served.url.starts_with("https://127.0.0.1:"), "{}", served.url);

    let said = medians(&served.url, Some(&certificate));
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    for trusted in [None, Some(other.as_path())] {
        let said = medians(&served.url, trusted);
        assert!(!said.status.success());
        assert!(String::from_utf8_lossy(&said.stderr).contains("ertificate"), "{said:?}");
    }

    let address = served.url.trim_start_matches("https://");
    let mut clear = TcpStream::connect(address).unwrap();
    clear.write_all(b"GET /healthz HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    // The other side may well have closed already.
    let _ = clear.read_to_end(&mut answer);
    assert!(!answer.starts_with(b"HTTP/"), "{}", String::from_utf8_lossy(&answer));
}

/// RFC 6797: over TLS a browser is told to stay there; the cookie goes over TLS only.
#[test]
fn over_tls_the_headers_and_cookies_are_those_of_tls() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    add_account(&binary(), &data, "ada");
    let (certificate, key) = made(folder.path(), "own");
    let served = Served::from_command(serving(&data, &certificate, &key));
    let trusted = wearmark_api::tls::certificates(&certificate).unwrap();
    let trusted: Vec<_> =
        trusted.iter().map(|der| ureq::tls::Certificate::from_der(der).to_owned()).collect();
    let roots = ureq::tls::RootCerts::new_with_certs(&trusted);
    let agent = ureq::Agent::config_builder()
        .tls_config(ureq::tls::TlsConfig::builder().root_certs(roots).build())
        .build()
        .new_agent();
    let answer = agent
        .post(format!("{}/v1/sessions", served.url))
        .send_json(serde_json::json!({"name": "ada", "password": PASSWORD}))
        .unwrap();
    assert_eq!(answer.status(), 201);
    assert_eq!(answer.headers()["strict-transport-security"], "max-age=31536000");
    let cookie = answer.headers()["set-cookie"].to_str().unwrap();
    assert!(cookie.starts_with("__Host-") && cookie.contains("Secure"), "{cookie}");
}

#[test]
fn files_that_cannot_be_used_are_named_before_anything_starts() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let (certificate, key) = made(folder.path(), "own");
    let (_, other_key) = made(folder.path(), "other");
    let nothing = folder.path().join("nothing");
    std::fs::write(&nothing, "nothing").unwrap();
    let missing = folder.path().join("missing");
    for (certificate, key, expected) in [
        (&certificate, &other_key, "cannot be used together"),
        (&nothing, &key, "nothing: "),
        (&certificate, &nothing, "a private key"),
        (&missing, &key, "missing: "),
    ] {
        let said = serving(&data, certificate, key).output().unwrap();
        let text = String::from_utf8_lossy(&said.stderr);
        assert!(!said.status.success() && text.contains(expected), "{expected}: {text}");
        assert!(!data.exists(), "nothing was made");
    }
}
