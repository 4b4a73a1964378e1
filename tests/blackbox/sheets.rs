//! `checkrail sheets`: what comes out is complete, stands by itself, and is the same for the same file.

mod support;

use std::{collections::BTreeMap, fs, path::Path};

use support::{checkrail, project};

fn sheets(layout: &str) -> BTreeMap<String, String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = project(layout);
    let out = folder.path().join("sheets");
    let output = checkrail(&[
        "sheets",
        path.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--date",
        "2026-11-25",
    ]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    read(&out)
}

fn read(folder: &Path) -> BTreeMap<String, String> {
    fs::read_dir(folder)
        .expect("made")
        .flatten()
        .map(|entry| {
            let name = entry.file_name().to_string_lossy().into_owned();
            (name, fs::read_to_string(entry.path()).expect("UTF-8"))
        })
        .collect()
}

#[test]
fn there_is_a_page_for_each_district_one_for_all_and_an_index() {
    let pages = sheets("config/tamarrow-valley.toml");
    let names: Vec<&str> = pages.keys().map(String::as_str).collect();
    assert_eq!(
        names,
        ["all.html", "harbour.html", "index.html", "quarry.html", "summit.html", "valley.html"]
    );
    let all = &pages["all.html"];
    for machine in 1..=14 {
        assert!(all.contains(&format!("Switch machine T{machine}<")), "T{machine}");
    }
    assert!(pages["harbour.html"].contains("Switch machine T1<"));
    assert!(!pages["quarry.html"].contains("Switch machine T1<"));
}

#[test]
fn a_page_says_what_a_person_under_the_table_needs() {
    let page = &sheets("config/starter.toml")["all.html"];
    for wanted in [
        "Terminal",
        "Goes to",
        "Above, facing the frog",
        "Below, on your back",
        "Bench",
        "beep",
        "drill",
        "Unplug the booster",
        "Checked by",
    ] {
        let found = page.to_lowercase().contains(&wanted.to_lowercase());
        assert!(found, "{wanted}");
    }
}

#[test]
fn pages_stand_by_themselves_and_every_tag_is_closed() {
    for (name, page) in sheets("config/tamarrow-valley.toml") {
        for outside in ["src=\"http", "href=\"http", "@import", "<script", "url(http"] {
            assert!(!page.contains(outside), "{name} asks for {outside}");
        }
        balanced(&name, &page);
    }
}

#[test]
fn the_same_file_gives_the_same_pages() {
    assert_eq!(sheets("config/starter.toml"), sheets("config/starter.toml"));
}

/// Every element that is opened is closed, in order; those that HTML leaves open are known by name.
fn balanced(name: &str, page: &str) {
    const VOID: [&str; 7] = ["meta", "link", "br", "hr", "img", "input", "col"];
    let mut open: Vec<String> = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let Some(end) = rest.find('>') else { panic!("{name}: a tag without end") };
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        if tag.starts_with('!') || tag.ends_with('/') {
            continue;
        }
        let closing = tag.starts_with('/');
        let element: String =
            tag.trim_start_matches('/').chars().take_while(|it| it.is_alphanumeric()).collect();
        if VOID.contains(&element.as_str()) {
            continue;
        }
        if closing {
            assert_eq!(open.pop().as_deref(), Some(element.as_str()), "{name} at {tag}");
        } else {
            open.push(element.clone());
            if element == "style" {
                let end =
                    rest.find("</style").unwrap_or_else(|| panic!("{name}: style has no end"));
                rest = &rest[end..];
            }
        }
    }
    assert!(open.is_empty(), "{name} leaves open {open:?}");
}

/// What a person reads: the text of a part of a page, tags away, one cell or line each.
fn text_of(part: &str) -> String {
    let mut text = String::new();
    let mut is_tag = false;
    for character in part.chars() {
        match character {
            '<' => {
                is_tag = true;
                text.push('\n');
            }
            '>' => is_tag = false,
            other if !is_tag => text.push(other),
            _ => {}
        }
    }
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    lines.join("|")
}

#[test]
fn the_terminal_table_of_a_machine_reads_as_it_is_wired() {
    let page = &sheets("config/tamarrow-valley.toml")["harbour.html"];
    let start = page.find("id=\"machine-T1\"").expect("T1");
    let table = &page[start..];
    let end = table.find("</table>").expect("a table");
    let body = &table[table.find("<tbody>").expect("rows")..end];
    let want = "M1|motor, lead 1|1|motor supply, lead 1|M2|motor, lead 2|2|motor supply, lead 2|\
                C1|contact 1 common|3|violet|violet|20 AWG|20 AWG|frog of T1|jumper to C2|\
                N1|contact 1 normal|4|black|black|20 AWG|20 AWG|T1 left stock rail (B)|jumper to N2|\
                R1|contact 1 reverse|5|red|red|20 AWG|20 AWG|T1 right stock rail (A)|jumper to R2|\
                C2|contact 2 common|violet|20 AWG|jumper to C1|\
                N2|contact 2 normal|black|20 AWG|jumper to N1|\
                R2|contact 2 reverse|red|20 AWG|jumper to R1";
    assert_eq!(text_of(body), want);
}

/// Cells of one column of the table after a heading.
fn column(page: &str, heading: &str, number: usize) -> Vec<String> {
    let start = page.find(&format!("<h2>{heading}</h2>")).expect("the heading");
    let table = &page[start..];
    let body =
        &table[table.find("<tbody>").expect("rows")..table.find("</tbody>").expect("an end")];
    body.split("<tr")
        .skip(1)
        .map(|row| text_of(row.split("<td>").nth(number).unwrap_or("")))
        .collect()
}

#[test]
fn the_wire_of_all_districts_together_is_the_wire_of_the_layout() {
    let pages = sheets("config/tamarrow-valley.toml");
    let metres = |cell: &String| cell.trim_end_matches(" m").parse::<f64>().unwrap_or(0.0);
    let index = &pages["index.html"];
    let by_size: Vec<f64> = column(index, "Wire", 4).iter().map(metres).collect();
    let (all, each) = by_size.split_last().expect("a sum");
    assert!((each.iter().sum::<f64>() - all).abs() < 1e-6, "{by_size:?}");
    let by_district: f64 = column(index, "Districts", 4).iter().map(metres).sum();
    assert!((by_district - all).abs() < 1e-6, "{by_district} and {all}");
    for (name, page) in &pages {
        let lengths: Vec<f64> = column(page, "Wire", 4).iter().map(metres).collect();
        let (sum, rows) = lengths.split_last().expect("a sum");
        assert!((rows.iter().sum::<f64>() - sum).abs() < 1e-6, "{name}: {lengths:?}");
        assert!(*sum > 0.0, "{name}");
    }
}

#[test]
fn every_wire_has_a_label_for_each_end() {
    let page = &sheets("config/starter.toml")["home.html"];
    let labels = &page[page.find("class=\"labels\"").expect("labels")..];
    let count = labels.matches("<li>").count();
    // 2 machines with 2 motor leads, a frog wire and 2 tie wires; 4 feeder pairs; one bus pair: two ends each
    assert_eq!(count, 2 * (2 * 5 + 8 + 2));
}

#[test]
fn a_code_for_the_phone_is_drawn_only_where_a_phone_reaches_the_dashboard() {
    let starter = fs::read_to_string(project("config/starter.toml")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    for (listen, want) in [("127.0.0.1:8080", 0), ("192.168.1.20:8080", 2)] {
        let file = folder.path().join("layout.toml");
        fs::write(&file, format!("{starter}\n[dashboard]\nlisten = \"{listen}\"\n")).unwrap();
        let out = folder.path().join("sheets");
        let output = checkrail(&["sheets", file.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        assert_eq!(read(&out)["home.html"].matches("class=\"qr\"").count(), want, "{listen}");
    }
}

#[test]
fn a_layout_or_a_date_that_cannot_be_used_ends_with_an_error_and_no_pages() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("sheets");
    let bad = folder.path().join("bad.toml");
    fs::write(&bad, "[booster.main]\nvolts = 15\n").unwrap();
    let starter = project("config/starter.toml");
    for (layout, date, status) in [(&bad, "2026-11-25", 1), (&starter, "yesterday", 2)] {
        let output = checkrail(&[
            "sheets",
            layout.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
            "--date",
            date,
        ]);
        assert_eq!(output.status.code(), Some(status), "{date}");
        assert!(!output.stderr.is_empty() && !out.exists());
    }
}

#[test]
fn a_sheet_of_wrong_wiring_says_that_one_must_not_solder_by_it_yet() {
    let starter = fs::read_to_string(project("config/starter.toml")).unwrap();
    let swapped = starter
        .replacen("normal = \"left\"", "normal = \"RIGHT\"", 1)
        .replacen("reverse = \"right\"", "reverse = \"left\"", 1)
        .replacen("RIGHT", "right", 1);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("layout.toml");
    for (text, want) in [(&starter, 0), (&swapped, 1)] {
        fs::write(&file, text).unwrap();
        let out = folder.path().join("sheets");
        let run = |more: &[&str]| {
            let mut args = vec!["sheets", file.to_str().unwrap(), "--out", out.to_str().unwrap()];
            args.extend(more);
            checkrail(&args)
        };
        assert!(run(&[]).status.success());
        assert_eq!(read(&out)["home.html"].matches("Do not solder").count(), want);
        assert_eq!(run(&["--strict"]).status.code(), Some(want as i32));
    }
}
