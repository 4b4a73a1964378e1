//! The report as one page that needs nothing else: no script, no font, no picture from elsewhere.

use std::fmt::Write;

use jiff::tz::TimeZone;

use super::{Session, Stretch};
use crate::report::{number, rules, span, time};

const STYLE: &str = "body{font:15px/1.45 system-ui,sans-serif;color:#161b1f;background:#fff;margin:0 auto;padding:1.5rem;\
max-width:60rem;font-variant-numeric:tabular-nums}h1{font-size:1.5rem;margin:0 0 .3rem}h2{font-size:1.05rem;margin:1.6rem 0 .4rem;\
border-bottom:1px solid #b4babe}table{border-collapse:collapse;width:100%;font-size:.875rem}th,td{text-align:left;padding:.25rem .6rem \
.25rem 0;vertical-align:top}thead th{color:#434c53;border-bottom:1px solid #b4babe}tbody tr+tr>*{border-top:1px solid #d8dbdd}\
.n{text-align:right;white-space:nowrap}.q{color:#434c53}.mark{border:2px solid #161b1f;padding:.1rem .5rem;font-weight:700}\
.wide{overflow-x:auto}svg{display:block;width:100%;height:auto}svg text{font:12px system-ui,sans-serif;fill:#161b1f}\
@media print{body{padding:0;max-width:none}h2{break-after:avoid}tr{break-inside:avoid}}";

/// The page. `mark` is printed in its heading, such as DEMO; `zone` is the reader's.
#[must_use]
pub fn html(session: &Session, zone: &TimeZone, mark: Option<&str>) -> String {
    let name = session.layout.as_deref().unwrap_or("no layout");
    let local = |us| time::local(us, zone).get(..19).unwrap_or_default().to_owned();
    let mark =
        mark.map_or_else(String::new, |it| format!(" <span class=\"mark\">{}</span>", safe(it)));
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width, initial-scale=1\"><title>Session of {name}</title><style>{STYLE}</style></head><body>\n\
         <h1>Session of {name}{mark}</h1>\n<p>{from} to {to}. {sentence}</p>\n",
        name = safe(name),
        from = local(session.from_us),
        to = local(session.to_us),
        sentence = safe(&sentence(session)),
    );
    section(&mut out, "Power", &power(session, zone));
    section(&mut out, "Faults", &faults(session, zone));
    section(&mut out, "Alarms", &alarms(session));
    section(&mut out, "Busiest turnouts", &busiest(session));
    section(&mut out, "Machines due", &due(session));
    section(&mut out, "What operators did", &actions(session));
    out.push_str(
        "<p class=\"q\">Checkrail supervises. It does not replace a breaker, fuse or current-limited supply sized for the \
         wiring, and a cut is not isolation: before working under the table, unplug the booster.</p>\n</body></html>\n",
    );
    out
}

/// The session in a sentence.
fn sentence(session: &Session) -> String {
    if session.runs == 0 {
        return "Checkrail did not watch in this time: nothing is known of it.".to_owned();
    }
    let watched = duration(session.watched_s);
    format!(
        "Watched for {watched} in {}: {}, {}.",
        count(session.runs, "run"),
        count(session.faults.len(), "fault"),
        count(session.alarms.shown, "alarm"),
    )
}

fn section(out: &mut String, title: &str, body: &str) {
    let _ = write!(out, "<h2>{title}</h2>\n<div class=\"wide\">{body}</div>\n");
}

fn power(session: &Session, zone: &TimeZone) -> String {
    if session.districts.is_empty() {
        return "<p class=\"q\">No state of power was recorded.</p>".to_owned();
    }
    let rows = session.districts.iter().map(|it| {
        vec![
            it.district.clone(),
            it.uptime
                .map_or_else(|| "not known".to_owned(), |share| format!("{} %", number(share, 2))),
            duration(it.on_s),
            duration(it.off_s),
            duration(it.unknown_s),
            it.cuts.to_string(),
            it.faults.to_string(),
        ]
    });
    let head = ["District", "Uptime", "On", "Off", "Not known", "Times off", "Faults"];
    format!(
        "{}<p class=\"q\">Uptime is the time proved on, of the time known to be on or off, while Checkrail watched.</p>{}",
        table(&head, rows, 1),
        timeline(session, zone)
    )
}

/// One bar a district: filled is on, an outline is off, dashed is not known; a mark is a fault.
fn timeline(session: &Session, zone: &TimeZone) -> String {
    const LEFT: f64 = 110.0;
    const WIDTH: f64 = 900.0;
    let (from, to) = (session.from_us, session.to_us.max(session.from_us + 1));
    let x = |us: i64| LEFT + (us - from) as f64 / (to - from) as f64 * (WIDTH - LEFT - 10.0);
    let height = session.districts.len() * 26 + 24;
    let mut out = format!(
        "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"Power of the districts over the time\">"
    );
    for (row, district) in session.districts.iter().enumerate() {
        let top = row * 26;
        let _ = write!(out, "<text x=\"0\" y=\"{}\">{}</text>", top + 16, safe(&district.district));
        for stretch in &district.stretches {
            out.push_str(&bar(stretch, top, &x));
        }
        for fault in session.faults.iter().filter(|it| it.district == district.district) {
            let at = x(fault.trigger_us);
            let _ = write!(
                out,
                "<path d=\"M{at:.1} {} v24\" stroke=\"#b33500\" stroke-width=\"2\"><title>fault {}</title></path>",
                top, fault.fault
            );
        }
    }
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let us = from + ((to - from) as f64 * share) as i64;
        let anchor = if share == 0.0 {
            "start"
        } else if share == 1.0 {
            "end"
        } else {
            "middle"
        };
        let text = time::local(us, zone);
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
            x(us),
            height - 6,
            text.get(11..16).unwrap_or_default()
        );
    }
    out + "</svg><p class=\"q\">Filled: on. Outlined: off. Dashed: not known. A line: a fault.</p>"
}

fn bar(stretch: &Stretch, top: usize, x: &impl Fn(i64) -> f64) -> String {
    let look = match stretch.state {
        "on" => "fill=\"#97a2a9\"",
        "off" => "fill=\"#fff\" stroke=\"#161b1f\"",
        _ => "fill=\"none\" stroke=\"#69737a\" stroke-dasharray=\"3 3\"",
    };
    let (left, right) = (x(stretch.from_us), x(stretch.to_us));
    format!(
        "<rect x=\"{left:.1}\" y=\"{}\" width=\"{:.1}\" height=\"14\" {look}/>",
        top + 5,
        (right - left).max(0.8)
    )
}

fn faults(session: &Session, zone: &TimeZone) -> String {
    if session.faults.is_empty() {
        return "<p>None was recorded.</p>".to_owned();
    }
    let rows = session.faults.iter().map(|it| {
        let share =
            it.share.map_or_else(String::new, |share| format!(" {} %", number(share * 100.0, 0)));
        let suspect = match (&it.named, &it.suspect) {
            (Some(named), _) => format!("{named} (named by a person)"),
            (None, Some(first)) => format!("{first}{share}"),
            (None, None) => "not known".to_owned(),
        };
        vec![
            it.fault.to_string(),
            time::local(it.trigger_us, zone).get(11..19).unwrap_or_default().to_owned(),
            it.district.clone(),
            it.text.clone(),
            suspect,
            it.peak.map_or_else(|| "not known".to_owned(), |amps| format!("{} A", number(amps, 2))),
            it.cleared_ms.map_or_else(|| "not seen".to_owned(), span),
        ]
    });
    let head = ["Fault", "When", "District", "What", "First suspect", "Peak", "Gone after"];
    table(&head, rows, 5)
}

fn alarms(session: &Session) -> String {
    let it = &session.alarms;
    let unknown = || "not known: less than ten minutes".to_owned();
    let total = it.shown.max(1);
    let [high, medium, low] =
        it.by_priority.map(|some| format!("{some} ({} %)", some * 100 / total));
    let list = |all: &[String]| if all.is_empty() { "none".to_owned() } else { all.join(", ") };
    let figures = [
        ("Shown", format!("{}, and {} gathered under another", it.shown, it.gathered), ""),
        (
            "Average in 10 min",
            it.per_ten_minutes.map_or_else(unknown, |some| number(some, 2)),
            "about 1, at most 2",
        ),
        ("Most in 10 min", it.most_in_ten_minutes.to_string(), "at most 10"),
        (
            "Periods of 10 min in flood",
            it.in_flood.map_or_else(unknown, |share| format!("{} %", number(share, 1))),
            "below 1 %",
        ),
        ("High, medium, low", format!("{high}, {medium}, {low}"), "about 5 %, 15 %, 80 %"),
        ("Chattering (3 in a minute)", list(&it.chattering), "none"),
        ("Stale (over 24 h)", list(&it.stale), "none, with a plan for those there are"),
    ];
    let rows = figures.map(|(what, value, target)| vec![what.to_owned(), value, target.to_owned()]);
    let mut out = table(&["Figure", "Here", "Target"], rows.into_iter(), 9);
    out.push_str(
        "<p class=\"q\">Figures and targets follow ISA-18.2, from memory of the standard.</p>",
    );
    if !it.kinds.is_empty() {
        let rows = it.kinds.iter().map(|kind| {
            vec![
                kind.kind.clone(),
                kind.priority.clone(),
                kind.count.to_string(),
                kind.most.clone(),
            ]
        });
        out.push_str(&table(&["Kind", "Priority", "Times", "Most about"], rows, 9));
    }
    out
}

fn busiest(session: &Session) -> String {
    if session.busiest.is_empty() {
        return "<p>No throw was recorded.</p>".to_owned();
    }
    let rows = session.busiest.iter().map(|it| {
        vec![it.machine.trim_start_matches("machine/").to_owned(), it.throws.to_string()]
    });
    table(&["Machine", "Throws"], rows, 1)
}

fn due(session: &Session) -> String {
    let rules = format!("<p class=\"q\">{}</p>", safe(&rules()));
    if session.due.is_empty() {
        return format!("<p>None, by the rules.</p>{rules}");
    }
    let rows = session.due.iter().map(|it| {
        let name = it.machine.trim_start_matches("machine/").to_owned();
        vec![name, it.verdict.clone(), it.because.clone()]
    });
    table(&["Machine", "Verdict", "Because"], rows, 9) + &rules
}

fn actions(session: &Session) -> String {
    if session.actions.is_empty() {
        return "<p>Nothing was asked for.</p>".to_owned();
    }
    let rows = session.actions.iter().map(|it| {
        let refused = it.refused.as_ref().map_or_else(String::new, |why| format!("refused: {why}"));
        vec![it.at.clone(), it.who.clone(), it.what.clone(), refused]
    });
    table(&["When (UTC)", "Who", "What", ""], rows, 9)
}

/// A table; columns from `numbers` on are numbers.
fn table(head: &[&str], rows: impl Iterator<Item = Vec<String>>, numbers: usize) -> String {
    let class = |at: usize| if numbers <= at { " class=\"n\"" } else { "" };
    let mut out = String::from("<table><thead><tr>");
    for (at, cell) in head.iter().enumerate() {
        let _ = write!(out, "<th{}>{cell}</th>", class(at));
    }
    out.push_str("</tr></thead><tbody>");
    for row in rows {
        out.push_str("<tr>");
        for (at, cell) in row.iter().enumerate() {
            let _ = write!(out, "<td{}>{}</td>", class(at), safe(cell));
        }
        out.push_str("</tr>");
    }
    out + "</tbody></table>"
}

fn duration(seconds: f64) -> String {
    let minutes = (seconds / 60.0).floor() as u64;
    match minutes {
        0 => format!("{} s", number(seconds, 0)),
        1..=119 => format!("{minutes} min"),
        _ => format!("{} h {} min", minutes / 60, minutes % 60),
    }
}

fn count(n: usize, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

fn safe(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
