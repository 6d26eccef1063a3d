//! Compiles the protocol files without a system `protoc`.

use std::path::PathBuf;

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
        "changes",
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
        "webhooks",
    ]
    .map(|name| format!("ringtrue/v1/{name}.proto"));
    let mut compiler = protox::Compiler::new(["."])?;
    compiler
        .include_source_info(true)
        .include_imports(true)
        .open_files(files)?;
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    // Encoded by the compiler: a set of prost's own types has no place for the annotations of calls.
    std::fs::write(
        out.join("descriptors.binpb"),
        compiler.encode_file_descriptor_set(),
    )?;
    let mut set = compiler.file_descriptor_set();
    // Annotations are read from the descriptors; as Rust types nobody needs them.
    set.file.retain(|file| file.package() != "google.api");
    tonic_prost_build::configure().compile_fds(set)?;
    Ok(())
}
