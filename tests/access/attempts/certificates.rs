//! Client certificates: what is bound to one is worth nothing without it, or with another.

use std::fmt::Write as _;
use std::net::{IpAddr, Ipv4Addr};

use prost::Message as _;
use rcgen::{
    BasicConstraints, CertificateParams, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair,
    KeyUsagePurpose,
};
use ringtrue_proto::v1;
use ringtrue_server::config::{Settings, Tls};
use ringtrue_tests::Network;
use sha2::{Digest as _, Sha256};
use tempfile::TempDir;
use tonic::metadata::MetadataMap;
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Identity};
use tonic::{Code, Status};

use crate::scene::{At, Scene, bearer};
use crate::table::rows;

/// An authority of this test, with a server's certificate in a folder.
struct Authority {
    folder: TempDir,
    pem: String,
    issuer: Issuer<'static, KeyPair>,
}

/// A client's certificate.
struct Shown {
    identity: Identity,
    /// SHA-256 of it, hexadecimal.
    sha256: String,
}

impl Authority {
    fn new() -> Self {
        let mut params = CertificateParams::default();
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
        let key = KeyPair::generate().expect("a key");
        let pem = params.self_signed(&key).expect("an authority").pem();
        let authority = Self {
            folder: tempfile::tempdir().expect("a folder"),
            pem,
            issuer: Issuer::new(params, key),
        };
        authority.write("authority.pem", &authority.pem);
        let mut params = CertificateParams::new(["127.0.0.1".to_owned()]).expect("a name");
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &authority.issuer);
        let leaf = leaf.expect("a certificate").pem();
        authority.write("server.pem", &format!("{leaf}{}", authority.pem));
        authority.write("server.key", &key.serialize_pem());
        authority
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    fn write(&self, name: &str, text: &str) {
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::write(self.path(name), text).expect("it is written");
        let ours = std::fs::Permissions::from_mode(0o600);
        std::fs::set_permissions(self.path(name), ours).expect("it is ours");
    }

    /// Encrypts, asks clients for certificates of this authority, and knows local callers still: whoever comes encrypted
    /// is none.
    fn settings(&self, settings: &mut Settings) {
        settings.tls = Tls {
            certificate: Some(self.path("server.pem")),
            key: Some(self.path("server.key")),
            client_ca: Some(self.path("authority.pem")),
            ..Tls::default()
        };
    }

    fn client(&self) -> Shown {
        let mut params = CertificateParams::default();
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
        let key = KeyPair::generate().expect("a key");
        let leaf = params.signed_by(&key, &self.issuer).expect("a certificate");
        let mut sha256 = String::new();
        for byte in Sha256::digest(leaf.der()) {
            write!(sha256, "{byte:02x}").expect("writing to a string cannot fail");
        }
        Shown {
            identity: Identity::from_pem(leaf.pem(), key.serialize_pem()),
            sha256,
        }
    }

    /// A channel that shows a certificate or none, from an address of this machine.
    fn channel(&self, network: &Network, shown: Option<&Shown>, from: Ipv4Addr) -> Channel {
        let mut tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(&self.pem));
        if let Some(shown) = shown {
            tls = tls.identity(shown.identity.clone());
        }
        Endpoint::from_shared(format!("https://{}", network.address))
            .expect("an address")
            .local_address(Some(IpAddr::V4(from)))
            .tls_config(tls)
            .expect("it can be used")
            .connect_lazy()
    }
}

/// Makes an administrator's credential that is bound to a certificate; gives its token, empty where there is none.
async fn bound(scene: &Scene, shown: &Shown, only: bool) -> (String, String) {
    let ask = format!(
        r#"{{"certificate_only":{only},"credential":{{"display_name":"Bound","kind":"CREDENTIAL_KIND_PERSON",
            "person":"bo-1","certificate_sha256":"{}",
            "grant":{{"role":"ROLE_ADMINISTRATOR","whole_network":true}}}}}}"#,
        shown.sha256
    );
    let call = "AccessService/CreateCredential";
    let made = scene
        .call_as(scene.caller("administrator"), call, &ask)
        .await;
    let made = v1::CreateCredentialResponse::decode(made.expect("made").as_slice());
    let made = made.expect("an answer");
    (made.credential.expect("told").name, made.token)
}

async fn who(scene: &Scene, channel: &Channel, metadata: MetadataMap) -> Result<String, Status> {
    let call = "AccessService/WhoAmI";
    let known = scene
        .call_over(channel.clone(), call, "{}", metadata)
        .await?;
    let known = v1::WhoAmIResponse::decode(known.as_slice()).expect("an answer");
    assert!(known.encrypted);
    Ok(known.credential.expect("told").name)
}

#[tokio::test]
async fn what_is_bound_to_a_certificate_is_worth_nothing_without_it_or_with_another() {
    let authority = Authority::new();
    let here = Ipv4Addr::LOCALHOST;
    let scene = Scene::set_behind(
        |settings| authority.settings(settings),
        |network| authority.channel(network, None, here),
    )
    .await;
    let (bound_to, alone, nobodys) = (authority.client(), authority.client(), authority.client());
    let (bound_name, bound_token) = bound(&scene, &bound_to, false).await;
    let (alone_name, no_token) = bound(&scene, &alone, true).await;
    assert_eq!(no_token, "");
    let technician = bearer(&scene.caller("technician").token);

    let over = |shown: Option<&Shown>, from| authority.channel(&scene.network, shown, from);
    let with_bound = over(Some(&bound_to), here);
    let with_alone = over(Some(&alone), here);
    let known = who(&scene, &with_bound, bearer(&bound_token)).await;
    assert_eq!(known.expect("both were shown"), bound_name);
    let known = who(&scene, &with_alone, MetadataMap::new()).await;
    assert_eq!(known.expect("the certificate alone"), alone_name);
    // A token goes before the certificate of somebody else, and gives what the token is for.
    let known = who(&scene, &with_alone, technician.clone()).await;
    assert_ne!(known.expect("the token's"), alone_name);

    let id = alone_name
        .trim_start_matches("credentials/")
        .replace('-', "");
    let made_up = format!("rt1.{id}.{}", "A".repeat(43));
    let before = scene.on_record().await;
    let mut faults = Vec::new();
    for (number, row) in rows().iter().enumerate() {
        let [.., high, low] = u16::try_from(number + 256)
            .expect("some rows")
            .to_be_bytes();
        let from = Ipv4Addr::new(127, 2, high, low);
        let json = scene.filled(At::Own, row.ask);
        for (what, shown, metadata) in [
            ("nothing, from this machine", None, MetadataMap::new()),
            ("the token alone", None, bearer(&bound_token)),
            ("another's certificate", Some(&alone), bearer(&bound_token)),
            ("nobody's certificate", Some(&nobodys), bearer(&bound_token)),
            (
                "nobody's certificate alone",
                Some(&nobodys),
                MetadataMap::new(),
            ),
            (
                "the certificate without its token",
                Some(&bound_to),
                MetadataMap::new(),
            ),
            ("a made-up token", Some(&alone), bearer(&made_up)),
        ] {
            let channel = authority.channel(&scene.network, shown, from);
            let answer = scene.call_over(channel, row.call, &json, metadata).await;
            let code = answer.as_ref().err().map(Status::code);
            if code != Some(Code::Unauthenticated) {
                faults.push(format!("{} with {what}: {code:?}", row.call));
            }
        }
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
    assert_eq!(scene.on_record().await, before);

    let ask = format!(r#"{{"name":"{alone_name}","reason":"Lost."}}"#);
    let call = "AccessService/RevokeCredential";
    let revoked = scene
        .call_as(scene.caller("administrator"), call, &ask)
        .await;
    assert!(revoked.is_ok(), "{revoked:?}");
    let known = who(&scene, &with_alone, MetadataMap::new()).await;
    let status = known.expect_err("revoked, on a connection that stood open");
    assert_eq!(status.code(), Code::Unauthenticated);
    scene.network.stop().await;
}

#[tokio::test]
async fn the_certificate_of_another_authority_is_not_even_heard() {
    let authority = Authority::new();
    let here = Ipv4Addr::LOCALHOST;
    let scene = Scene::set_behind(
        |settings| authority.settings(settings),
        |network| authority.channel(network, None, here),
    )
    .await;
    let stranger = Authority::new().client();
    let (_, token) = bound(&scene, &stranger, false).await;
    let channel = authority.channel(&scene.network, Some(&stranger), here);
    let refused = who(&scene, &channel, bearer(&token)).await;
    let status = refused.expect_err("not of this authority");
    // The handshake fails: there is no answer of the server's, whose every word has details.
    assert!(status.details().is_empty(), "{status:?}");
    assert!(format!("{status:?}").contains("fatal alert"), "{status:?}");
    scene.network.stop().await;
}
