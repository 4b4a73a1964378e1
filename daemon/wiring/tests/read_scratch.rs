#[test]
fn scratch() {
    for path in std::env::args().skip(1).chain(std::env::var("FILES").unwrap().split(' ').map(str::to_owned)) {
        let Ok(text) = std::fs::read_to_string(&path) else { continue };
        let r = wiring::read(&text);
        let l = wiring::source::LineIndex::new(&text);
        println!("== {path} {} errors", r.errors.len());
        for e in &r.errors { let p = l.place(e.span.start); println!("{}:{} {} {}: {} / {}", p.line, p.column, e.code(), e.subject, e.message(), e.remedy()); }
    }
}
