//! What a message costs the page in Chromium: the figures of `tests/browser/measure.mjs`.

use std::{path::Path, process::Command};

use crate::{
    Plan,
    support::figures::{Row, row},
};

/// A row for each page that is measured.
pub(crate) fn rows(_: &Plan) -> Vec<Row> {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/browser");
    let exe = std::env::current_exe().expect("its own path");
    let built = exe.ancestors().nth(3).expect("a folder of the build");
    let previews = ["release", "debug"].map(|it| built.join(it).join("examples/preview"));
    let Some(preview) = previews.iter().find(|it| it.exists()) else {
        return missing("needs `cargo build -p dashboard --example preview`");
    };
    if !tests.join("node_modules").exists() {
        return missing("needs `tests/run browser` once, for its packages");
    }
    let mut command = Command::new("node");
    command.arg("measure.mjs").current_dir(tests).env("MINUTES", "0").env("PREVIEW_BIN", preview);
    // With it the demo would be shown.
    command.env_remove("CHECKRAIL_BIN");
    let Ok(done) = command.output() else { return missing("needs node") };
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    let rows: Vec<Row> = said.lines().filter_map(message).collect();
    if rows.is_empty() { missing("tests/browser/measure.mjs failed") } else { rows }
}

/// `/live 1 x CPU: a message costs script 0.12 ms, style …; handling …`.
fn message(line: &str) -> Option<Row> {
    let (what, costs) = line.split_once(": a message costs ")?;
    let (own, rest) = costs.split_once(';')?;
    let what = what.split_whitespace().collect::<Vec<_>>().join(", ");
    Some(row(&format!("page update, {what}, 400 turnouts"), own, rest.trim(), "", ""))
}

fn missing(why: &str) -> Vec<Row> {
    vec![row("page update", "not measured", why, "", "")]
}
