//! One fault in two districts that meet: each has its record, and both tell the same.

use super::rig::{Rig, running};
use crate::{
    output::Decision,
    record::FaultRecord,
    words::{accused_name, cause_text},
};

/// A turnout of the yard, beyond the end of q3: a train that comes from the quarry runs onto its points.
const BORDER: &str = r#"
[track.y-in]
block = "y1"
from = "south"
to = "T2.points"
length = "1 m"
left = "A"
gaps = ["from"]
[trackwork.T2]
kind = "turnout"
hand = "right"
block = "y1"
[trackwork.T2.frog]
poles = ["T2.1"]
normal = "right"
reverse = "left"
"#;

/// A short in the quarry, and one in the yard so much later; the records, oldest first.
fn records(rig: &mut Rig, apart: u64) -> Vec<FaultRecord> {
    let from = 1000 + apart;
    let to = from + 40;
    let t2 =
        rig.channels.find("machine/T2/position").map_or("", |_| "0 machine/T2/position normal\n");
    rig.play(&running(&format!(
        "{t2}0..{from}/20 district/yard/current 0.4\n0..{from}/20 block/y1/current 0.4
         1000..1040/20 district/quarry/current 5.0\n1000..1040/20 block/q3/current 4.9
         1040..9000/20 district/quarry/current 0.0\n1040..9000/20 block/q3/current 0.0
         {from}..{to}/20 district/yard/current 5.0\n{from}..{to}/20 block/y1/current 4.9
         {to}..9000/20 district/yard/current 0.0\n{to}..9000/20 block/y1/current 0.0"
    )));
    let records = rig.outputs.iter().filter_map(|output| match &output.what {
        Decision::FaultClosed(record) => Some((**record).clone()),
        _ => None,
    });
    records.collect()
}

/// Who is suspected of each record, and what it says of the others.
fn told(rig: &Rig, records: &[FaultRecord]) -> Vec<String> {
    let line = |it: &FaultRecord| {
        let suspects: Vec<String> = it
            .suspects
            .iter()
            .map(|it| format!("{} {}", accused_name(&rig.layout, it.accused), it.share))
            .collect();
        let beside: Vec<String> = it
            .beside
            .iter()
            .map(|other| {
                let id = &rig.layout.districts[other.district.at()].id;
                let ms = (other.trigger.0 as i64 - it.trigger.0 as i64) / 1000;
                let why = cause_text(other.cause, &rig.layout);
                format!("{id} {ms:+} fault {} {}", other.fault.0, why.split(',').next().unwrap())
            })
            .collect();
        format!("{} | {}", suspects.join(" "), beside.join(" "))
    };
    records.iter().map(line).collect()
}

#[test]
fn the_record_of_either_district_names_the_same_suspects_and_the_other_district() {
    let mut rig = Rig::new(BORDER);
    let records = records(&mut rig, 240);
    let told = told(&rig, &records);
    let [(one, beside_one), (other, beside_other)] =
        [0, 1].map(|at: usize| told[at].split_once(" | ").unwrap());
    assert_eq!(one, other, "one fault, one ranking");
    assert_eq!(beside_one, "yard +260 fault 2 breaker or booster tripped before Checkrail");
    assert_eq!(beside_other, "quarry -260 fault 1 short circuit");
    // What the yard alone knows is taken in: its block, and its frog at the border.
    let reasons: Vec<&str> = records[0]
        .suspects
        .iter()
        .filter(|it| accused_name(&rig.layout, it.accused) == "frog/T2")
        .flat_map(|it| it.reasons.iter().map(|it| it.text.as_str()))
        .collect();
    for want in [
        "current stepped in the block that feeds this frog",
        "district yard followed 260 ms later, and this frog lies where the two meet",
    ] {
        assert!(reasons.contains(&want), "{want}: {reasons:?}");
    }
    for (record, first) in records.iter().zip(["quarry", "yard"]) {
        let steps = record.advice.steps.join(" ");
        assert!(steps.starts_with(&format!("District {first} is cut and proved off.")), "{steps}");
        let both = ["quarry", "yard"].map(|it| steps.contains(it));
        assert_eq!(both, [true, true], "{steps}");
    }
}

/// The quarry stepped before the yard did: a frog that lies wholly in the yard is no cause of that, however busy its block.
#[test]
fn a_frog_within_the_district_that_followed_did_not_make_the_first_step() {
    let beyond = format!(
        "{BORDER}\n[track.y-on]\nblock = \"y1\"\nfrom = \"T2.left\"\nto = \"T3.points\"\nlength = \"1 m\"\nleft = \"A\"\n\
         [trackwork.T3]\nkind = \"turnout\"\nhand = \"right\"\nblock = \"y1\"\n[trackwork.T3.frog]\n\
         poles = [\"T3.1\"]\nnormal = \"right\"\nreverse = \"left\"\n"
    );
    let mut rig = Rig::new(&beyond);
    let records = records(&mut rig, 240);
    let of = |name: &str| {
        let found =
            records[0].suspects.iter().find(|it| accused_name(&rig.layout, it.accused) == name);
        found.map_or((0, String::new()), |it| {
            let reasons: Vec<&str> = it.reasons.iter().map(|it| it.text.as_str()).collect();
            (it.share, reasons.join("; "))
        })
    };
    let (border, within) = (of("frog/T2"), of("frog/T3"));
    assert!(within.0 < border.0 / 4, "{border:?} {within:?}");
    assert!(
        within.1.is_empty() || within.1.contains("district quarry stepped before yard"),
        "{within:?}"
    );
}

/// supervision.md: first-out is told within 500 ms.
#[test]
fn districts_apart_in_time_or_place_have_faults_of_their_own() {
    let cases = [(BORDER, 240, true), (BORDER, 500, true), (BORDER, 520, false), ("", 240, false)];
    for (more, apart, want) in cases {
        let mut rig = Rig::new(more);
        let records = records(&mut rig, apart);
        let joined: Vec<bool> = records.iter().map(|it| !it.beside.is_empty()).collect();
        assert_eq!(joined, [want, want], "{apart} ms apart, meeting: {}", !more.is_empty());
    }
}
