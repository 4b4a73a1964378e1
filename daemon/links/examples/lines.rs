//! Reads lines of the line protocol from standard input and tells of each whether it is one: `ok` with the line as the
//! program writes it, or `no` and why. For the check against an independent program, `tests/peers/lines.py`.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::io::BufRead;

use links::clp::{format::encode, parse::parse};

fn main() -> std::io::Result<()> {
    for line in std::io::stdin().lock().split(b'\n') {
        match parse(&line?) {
            Ok(line) => println!("ok {}", encode(&line).trim_end()),
            Err(why) => println!("no {why}"),
        }
    }
    Ok(())
}
