//! Engines that charge when power returns: what is no fault, and what is one all the same.

use super::rig::{Rig, acts, check_orders, running};

/// F40: engines charge when power returns.
#[test]
fn inrush_that_decays_is_not_a_fault() {
    let decay: String = (0..20)
        .map(|n| {
            format!("{} district/quarry/current {:.2}\n", 3000 + n * 10, 4.9 - 0.24 * f64::from(n))
        })
        .collect();
    let journal = running(&format!(
        "1000 ! cut district/quarry\n1010..3000/20 district/quarry/current 0.0\n2900 ! restore district/quarry
         {decay}\n3200..6000/20 district/quarry/current 0.5"
    ));
    check_orders(
        &journal,
        "1000 cut district/quarry operator; 1000 done; 2900 on district/quarry operator; 2900 done",
    );
}

#[test]
fn a_standing_short_is_cut_50_ms_after_power_returns() {
    let mut rig = Rig::new("");
    rig.play(&running(
        "1000 ! cut district/quarry\n1010..3000/20 district/quarry/current 0.0\n2995 ! restore district/quarry
         3000..3200/10 district/quarry/current 5.0",
    ));
    assert_eq!(rig.shown(acts)[4], "3050 cut district/quarry short-circuit");
}

/// A neighbour is cut: engines here charge when the booster's voltage comes back.
#[test]
fn sympathetic_inrush_of_a_neighbour_is_not_a_fault() {
    let decay: String = (0..12)
        .map(|n| {
            format!("{} district/yard/current {:.2}\n", 1060 + n * 10, 4.4 - 0.35 * f64::from(n))
        })
        .collect();
    let journal = format!(
        "0..1000/20 district/quarry/current 0.4\n0..1000/20 district/yard/current 0.4
         1000..1060/20 district/quarry/current 5.0\n1060..1500/20 district/quarry/current 0.0
         1000..1060/20 district/yard/current 0.1\n{decay}\n1180..4000/20 district/yard/current 0.4
         1500..4000/20 district/quarry/current 0.0"
    );
    check_orders(&journal, "1020 cut district/quarry short-circuit");
}

/// F52: the booster was off for a moment. Voltage is read every 50 ms, the engines charge before it says so.
#[test]
fn engines_that_charge_before_voltage_is_read_again_are_not_cut() {
    check_orders(
        "0..1000/20 district/quarry/current 0.4\n0..1000/50 district/quarry/voltage 15
         1000..2000/20 district/quarry/current 0.0\n1000..2000/50 district/quarry/voltage 0.1
         2005..2045/10 district/quarry/current 3.5\n2045..4000/20 district/quarry/current 0.5
         2049..4000/50 district/quarry/voltage 15",
        "",
    );
}

/// Power returns at 3 s and every two seconds from then on; each time the breaker opens after 40 ms of `amps`.
fn openings(times: u64, amps: [f64; 4], volts: &str) -> String {
    let mut journal =
        "1000 ! cut district/quarry\n1010..3000/10 district/quarry/current 0.0\n2995 ! restore district/quarry\n"
            .to_owned();
    for time in 0..times {
        let at = 3000 + 2000 * time;
        for (nth, amps) in amps.iter().enumerate() {
            journal.push_str(&format!("{} district/quarry/current {amps}\n", at + 10 * nth as u64));
        }
        journal.push_str(&format!("{}..{}/10 district/quarry/current 0.0\n", at + 40, at + 2000));
        journal.push_str(&volts.replace("AT", &(at + 45).to_string()));
    }
    running(&journal)
}

/// Must never happen: retry without limit, be it the breaker that tries. F40: the plain breaker gives engines less time than they need. Cut is what holds the fault down, and there is none.
#[test]
fn a_breaker_that_opens_on_engines_that_charge_is_no_fault() {
    let ordered =
        "1000 cut district/quarry operator; 1000 done; 2995 on district/quarry operator; 2995 done";
    let cut = |at| format!("{ordered}; {at} cut district/quarry tripped-elsewhere");
    // The last sample before none is an average: it has not fallen by itself.
    let charge = [4.9, 4.6, 4.2, 3.9];
    check_orders(&openings(1, charge, ""), ordered);
    check_orders(&openings(1, [4.9, 4.9, 4.9, 3.4], ""), &cut(3040));
    check_orders(&openings(1, [4.9, 4.6, 4.6, 4.6], ""), &cut(3040));
    // A breaker that never holds is not left to try without end.
    check_orders(&openings(2, charge, ""), ordered);
    check_orders(&openings(3, charge, ""), &cut(7040));
}

/// F40: a short holds the voltage down; where it climbs engines charge, however flat the booster's limit makes the current.
#[test]
fn voltage_that_climbs_tells_charging_from_a_short() {
    let ordered =
        "1000 cut district/quarry operator; 1000 done; 2995 on district/quarry operator; 2995 done";
    let flat = [4.9, 4.9, 4.9, 4.9];
    let before = "2900..3000/50 district/quarry/voltage 0.0\n";
    let read = |volts: &str| format!("{before}{}", openings(1, flat, volts));
    check_orders(&read("AT district/quarry/voltage 8.2\n"), ordered);
    let cut = format!("{ordered}; 3050 cut district/quarry tripped-elsewhere");
    check_orders(&read("AT district/quarry/voltage 2.4\n"), &cut);
}

/// F16 next door: the load that a neighbour's short pulled down comes back, and is no half-short. What comes beyond it is.
#[test]
fn load_that_comes_back_after_a_neighbours_short_is_no_step() {
    let cut = |before: &str, after: &str| {
        let mut rig = Rig::new("");
        rig.play(&format!(
            "0..1000/20 district/quarry/current 0.4\n0..1000/20 district/yard/current {before}
             0..4000/50 district/yard/voltage 15\n1000..1020/10 district/quarry/current 5.0
             1020..4000/20 district/quarry/current 0.4\n1010..1040/10 district/yard/current 0.06
             1040..4000/10 district/yard/current {after}"
        ));
        rig.shown(acts).into_iter().next()
    };
    assert_eq!(cut("1.8", "1.8"), None);
    assert_eq!(cut("0.5", "2.2").as_deref(), Some("2040 cut district/yard half-short"));
}
