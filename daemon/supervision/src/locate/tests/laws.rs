//! Laws of the ranking, whatever was seen.

use proptest::prelude::*;

use super::*;

fn any_frog(at: u32) -> impl Strategy<Value = FrogFacts> {
    let around = prop_oneof![Just(Around::NotKnown), Just(Around::Clear), Just(Around::Occupied)];
    let step = prop_oneof![Just(Step::NotMeasured), Just(Step::Here), Just(Step::Elsewhere)];
    (any::<[bool; 7]>(), around, step, 0..5u32).prop_map(move |(flag, around, step, earlier)| {
        let polarity = match (flag[0], flag[1]) {
            (true, true) => PolaritySign::WrongRail(Conductor::A),
            (true, false) => PolaritySign::Dead,
            (false, true) => PolaritySign::NotSwitching(Conductor::B),
            (false, false) => PolaritySign::Matches,
        };
        FrogFacts {
            polarity,
            out_of_step: flag[2],
            weak_contact: flag[3],
            lined_train: flag[4],
            wrong_leg: flag[5].then_some(WrongLeg {
                port: Port::Left,
                block: BlockIx(0),
                edge: flag[6].then_some(ms(5)),
                came: Came::NotKnown,
            }),
            around,
            step,
            earlier_faults: earlier,
            ..thrown(at, around)
        }
    })
}

proptest! {
    #[test]
    fn shares_add_to_the_whole_whatever_was_seen(
        frogs in (any_frog(0), any_frog(1), any_frog(2), any_frog(3)),
        movement in any::<Option<bool>>(),
        measured in proptest::option::of(0u64..20_000_000),
    ) {
        let evidence = Evidence {
            movement,
            loop_measured: measured.map(Microohms),
            ..running(vec![frogs.0, frogs.1, frogs.2, frogs.3])
        };
        let suspects = rank(&evidence, &sample::layout());
        prop_assert_eq!(suspects.iter().map(|it| it.share).sum::<u32>(), 1000);
        prop_assert!(suspects.windows(2).all(|pair| pair[1].share <= pair[0].share));
    }

    #[test]
    fn what_speaks_against_a_frog_never_raises_its_share(
        frog in any_frog(0),
        other in any_frog(1),
        which in 0..4_usize,
    ) {
        let step = if frog.step == Step::NotMeasured { Step::NotMeasured } else { Step::Elsewhere };
        let against = match which {
            0 => FrogFacts { was_good_here: true, ..frog.clone() },
            1 => FrogFacts { own_current: Step::Elsewhere, ..frog.clone() },
            2 => FrogFacts { step, ..frog.clone() },
            _ => FrogFacts { wrong_leg: None, out_of_step: false, ..frog.clone() },
        };
        let share = |frog: FrogFacts| {
            let suspects = rank(&running(vec![frog, other.clone()]), &sample::layout());
            let frog = Accused::Object(Object::Frog(FrogIx(0)));
            suspects.iter().find(|it| it.accused == frog).map_or(0, |it| it.share)
        };
        let before = FrogFacts { was_good_here: false, ..frog };
        prop_assert!(share(against) <= share(before) + 1, "a rounding apart at most");
    }

    #[test]
    fn place_outranks_recency_whatever_moved(
        moved in 0..3_usize,
        under in any::<bool>(),
        around in prop_oneof![Just(Around::NotKnown), Just(Around::Clear), Just(Around::Occupied)],
        share in proptest::option::of(0..100_u32),
        changed in proptest::option::of(0..4000_u64),
    ) {
        let machine = MachineIx(0);
        let recent = FrogFacts {
            machine: match moved {
                0 => MachineSign::Thrown(machine, ms(700)),
                1 => MachineSign::Moving(machine),
                _ => MachineSign::Unknown(machine),
            },
            train_on_it: under,
            throw_share: share,
            polarity_changed: changed.map(ms),
            step: Step::Here,
            ..thrown(0, around)
        };
        let place = FrogFacts { step: Step::Here, ..entered(3) };
        let got = ranked(&running(vec![recent, place]));
        prop_assert!(got.starts_with("frog/T4"), "{}", got);
    }
}
