//! The executable: service, client and worker in one.

fn main() -> std::process::ExitCode {
    soakproof::cli::main()
}
