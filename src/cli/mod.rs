//! Cli: the command line.
