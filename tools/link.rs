//! How the program is linked: at a fixed address where Linux lets it, since moving it to another one at every start costs
//! a page fault for each page with an address in it, a tenth of what `plantstand --version` takes (tools/bench measures
//! it). What it does not: generate code. Start reading at [`main`].

use std::env::var;

#[expect(clippy::disallowed_methods, reason = "cargo tells a build script its target through the environment only")]
fn main() {
    println!("cargo::rerun-if-changed=tools/link.rs");
    if var("CARGO_CFG_TARGET_OS").as_deref() == Ok("linux") && var("CARGO_CFG_TARGET_ENV").as_deref() == Ok("gnu") {
        println!("cargo::rustc-link-arg-bins=-no-pie");
    }
}
