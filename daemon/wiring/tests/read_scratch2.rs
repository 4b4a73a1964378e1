#[test]
fn scratch() {
    for text in ["[a]\nfoo\nbar = \n[track.a]\nx = 5A\n", "foo\nbar = 5\n[a]\nx = 5A\n", "a = \nb = 5A\n", "[a\nb = 5A\n","a = [1, 2\nb = 5A\n[c]\nd=5A", "a = { x = 1,\nb = 5A\n[c]\nd=5A", "= 5\nx = 5A", "a b = 5\nx = 5A", "µ = 5\nx=5A", "a = \"\"\"\nx = 5A\n", "a = 'x\ny = 5A\n", "a = \"x\\q\"\ny = 5A\n", "volts == \"5 V\"\ny=5A\n", "a = \"5 V\" \"6\"\ny=5A", "a = \"12\" AWG\ny=5A", "a = true false\n y=5A", "a.b = 5\na = 6\ny=5A\n", "[a]\nx=1\n[b]\n[a]\ny=1\n[c]\nz=5A", "a: 5\ny=5A", "a = 5,\ny=5A", "a = “5 A”\ny=5A", "\u{feff}a = 5A"] {
        let (doc, errors) = toml::de::DeTable::parse_recoverable(text);
        println!("== {text:?}\n   {:?}", doc.get_ref().keys().map(|k| k.get_ref().to_string()).collect::<Vec<_>>());
        for e in errors { println!("   {:?} {}", e.span(), e.message()); }
    }
}
