//! Studies a layout file: prints the tables, or writes the report to the path given second.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a program: it prints, and reads what it is told"
)]

use std::time::Instant;

use circuit::{report, study};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let path = arguments.next().expect("the path of a layout file");
    let text = std::fs::read_to_string(path).expect("the file can be read");
    let read = wiring::read::read(&text);
    assert!(read.errors.is_empty(), "{:?}", read.errors);
    let layout = read.layout.expect("a file without errors is a layout");
    let settings = study::Settings::default();
    let begun = Instant::now();
    let study = study::run(&layout, &settings);
    let took = begun.elapsed();
    if let Some(out) = arguments.next() {
        let page = report::html(&layout, &study, settings.train_load);
        std::fs::write(out, page).expect("the report can be written");
    } else {
        for table in report::tables(&layout, &study) {
            println!("\n{}\n{}\n{}", table.title, table.note, table.head.join(" | "));
            for row in table.rows {
                println!("{}", row.join(" | "));
            }
        }
    }
    println!("\nstudied in {took:?}");
}
