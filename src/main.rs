fn main() -> std::process::ExitCode {
    quorate::cli::main()
}
