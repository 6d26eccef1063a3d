//! Compiles the protocol files without a system `protoc`.

use std::path::PathBuf;

use prost::Message as _;

#[expect(
    clippy::disallowed_methods,
    reason = "cargo hands a build script its folder this way"
)]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("cargo::rerun-if-changed=ringtrue");
    println!("cargo::rerun-if-changed=google");
    let files = [
        "access",
        "adjustments",
        "alerts",
        "audit",
        "care",
        "deliveries",
        "exposures",
        "firings",
        "fleet",
        "furnaces",
        "gauges",
        "operations",
        "programmes",
        "readings",
        "ring_batches",
        "schedules",
        "sign_offs",
        "sites",
    ]
    .map(|name| format!("ringtrue/v1/{name}.proto"));
    let set = protox::compile(files, ["."])?;
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    std::fs::write(out.join("descriptors.binpb"), set.encode_to_vec())?;
    tonic_prost_build::configure().compile_fds(set)?;
    Ok(())
}
