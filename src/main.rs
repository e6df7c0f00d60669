//! The program: hands the command line to [`plantstand::cli`] and turns its outcome into an exit status.
//!
//! Nothing is decided here. Start reading at `cli/mod.rs`.

fn main() -> std::process::ExitCode {
    plantstand::cli::run()
}
