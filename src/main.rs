//! The program: everything it does lives in the library's `cli`.

fn main() -> std::process::ExitCode {
    twinmound::cli::run()
}
