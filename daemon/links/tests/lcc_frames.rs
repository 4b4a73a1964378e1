//! The text framing of LCC adapters: what is written is read back, junk swallows no whole frame, and no bytes panic.

use links::lcc::{
    frame::{Frame, FrameError, Framer},
    message::Message,
};
use proptest::prelude::*;

fn frames_in(bytes: &[u8], step: usize) -> Vec<Frame> {
    let (mut framer, mut found) = (Framer::default(), Vec::new());
    bytes.chunks(step).for_each(|part| framer.feed(part, |it| found.extend(it)));
    found
}

fn errors_in(text: &str) -> Vec<FrameError> {
    let mut found = Vec::new();
    Framer::default().feed(text.as_bytes(), |it| found.extend(it.err()));
    found
}

/// Every worked frame of links.md 4.4 (S-9.7.2.1, S-9.7.3, S-9.7.3.1; editions as named in links.md 4.1).
const WORKED: [&str; 36] = [
    ":X17030566N;",
    ":X16012566N;",
    ":X15345566N;",
    ":X14601566N;",
    ":X10700566N;",
    ":X10701566N030012345601;",
    ":X19100566N030012345601;",
    ":X19547566N0300123456011070;",
    ":X19547566N0300123456011071;",
    ":X194C7566N0300123456012070;",
    ":X194902C5N;",
    ":X19170566N030012345601;",
    ":X194882C5N0566;",
    ":X107022C5N030012345601;",
    ":X17010566N;",
    ":X199142C5N0300123456011070;",
    ":X19544566N0300123456011070;",
    ":X199142C5N0300123456011071;",
    ":X19545566N0300123456011071;",
    ":X199702C5N;",
    ":X199682C5N0566;",
    ":X195B4566N0300123456011071;",
    ":X195B4566N0300123456013039;",
    ":X195B4566N0300123456014019;",
    ":X195B4566N010000000000FFFF;",
    ":X195B42C5N010000000000FFFE;",
    ":X198282C5N0566;",
    ":X19668566N02C5041000;",
    ":X19DE82C5N0566;",
    ":X1A5662C5N2080;",
    ":X19A48566N02C51043;",
    ":X19CC82C5N0566;",
    ":X19068566N02C510430CC8;",
    ":X19490566N;",
    ":X10703566N030012345601;",
    ":X170306FDN;",
];

#[test]
fn every_worked_frame_is_read_and_written_back() {
    for text in WORKED {
        let found = frames_in(text.as_bytes(), 64);
        assert_eq!(found.len(), 1, "{text}");
        assert_eq!(found[0].encode().trim_end(), text);
        assert!(Message::read(&found[0]).is_some(), "{text}");
    }
}

#[test]
fn what_adapters_write_differently_is_read_and_what_is_broken_is_named() {
    let first = frames_in(b":X194902C5N;", 1);
    for text in [":x194902c5n;", "noise;\r\n:X194902C5N;\n", ":X19:X194902C5N;", "::X194902C5N;"] {
        assert_eq!(frames_in(text.as_bytes(), 3), first, "{text}");
    }
    assert_eq!(frames_in(b":X5N01;", 8)[0].header, 5, "a short header");
    for text in [":S123N01;", ":X194902C5R;", ":X194902C5R8;"] {
        let quiet = frames_in(text.as_bytes(), 8).is_empty();
        assert!(quiet && errors_in(text).len() <= 1, "{text} is none of LCC");
    }
    let cases = [
        (":X194902C5N0;", FrameError::Odd),
        (":X194902C5N0G;", FrameError::Digit),
        (":X194902C5N001122334455667788;", FrameError::Long),
        (":X3FFFFFFFN;", FrameError::Long),
        (":X194902C5N00112233445566778899AA;", FrameError::Long),
        (":XN;", FrameError::Form),
        (":;", FrameError::Form),
        (":Y194902C5N;", FrameError::Form),
    ];
    for (text, want) in cases {
        assert_eq!(errors_in(text), [want], "{text}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_written_is_read_back(
        all in proptest::collection::vec((0_u32..=0x1FFF_FFFF, proptest::collection::vec(any::<u8>(), 0..=8)), 0..20),
        step in 1_usize..40,
    ) {
        let frames: Vec<Frame> =
            all.iter().map(|(header, data)| Frame::new(*header, data).expect("short")).collect();
        let text: String = frames.iter().map(Frame::encode).collect();
        prop_assert_eq!(frames_in(text.as_bytes(), step), frames);
    }

    #[test]
    fn junk_between_frames_swallows_none(
        junk in proptest::collection::vec("[ -9<-~\\r\\n;]{0,40}", 1..20),
        headers in proptest::collection::vec(0_u32..=0x1FFF_FFFF, 20),
    ) {
        let frames: Vec<Frame> =
            junk.iter().zip(&headers).map(|(_, it)| Frame::new(*it, &[1, 2]).expect("short")).collect();
        let text: String =
            junk.iter().zip(&frames).map(|(junk, it)| format!("{junk}{}", it.encode())).collect();
        prop_assert_eq!(frames_in(text.as_bytes(), 7), frames);
    }

    #[test]
    fn a_truncated_frame_does_not_swallow_the_next(cut in 0_usize..27) {
        let (first, second) = (":X195B4566N0300123456011071;", ":X194902C5N;");
        let found = frames_in(format!("{}{second}", &first[..cut]).as_bytes(), 5);
        prop_assert_eq!(found, frames_in(second.as_bytes(), 5));
    }

    #[test]
    fn any_bytes_give_frames_or_reasons(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        for frame in frames_in(&bytes, 9) {
            let _ = Message::read(&frame);
        }
    }
}
