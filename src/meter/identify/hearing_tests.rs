use super::uart::End;
use super::uart::heard;
use super::*;
use crate::meter::Parity;

const TEXTS: [&str; 5] = [
    "0017;60;92.4;GU;OK\r\n",
    "60\t92,4\r",
    "G20=71.4 G60=92.4 G85=97.0\r\n",
    "\u{2}0002 60 92.4\u{3}301C\r\n",
    "  92.4\r\n",
];

const RATES: [u32; 8] = [1_200, 2_400, 4_800, 9_600, 19_200, 38_400, 57_600, 115_200];

fn presses(text: &str) -> Vec<u8> {
    text.repeat(3).into_bytes()
}

#[test]
fn at_the_right_setting_every_line_is_text() {
    for text in TEXTS {
        for (bits, parity) in [(8, Parity::None), (7, Parity::Even), (8, Parity::Even), (7, Parity::Odd)] {
            let end = End::new(9_600, bits, parity);
            let bytes = heard(&presses(text), end, end, 0, true);
            assert_eq!(bytes, presses(text), "the model of the line is wrong");
            let hearing = hear(&bytes, bits);
            assert_eq!(hearing.verdict, Verdict::Text, "{text:?} {hearing:?}");
            assert!(hearing.score > 0.9, "{text:?} {hearing:?}");
        }
    }
}

#[test]
fn at_another_rate_no_line_is_text() {
    for text in TEXTS {
        for sent in RATES {
            for listened in RATES.into_iter().filter(|&rate| rate != sent) {
                for (pause, drops) in [(0, true), (0, false), (3, true), (3, false)] {
                    let (sender, receiver) =
                        (End::new(sent, 8, Parity::None), End::new(listened, 8, Parity::None));
                    let bytes = heard(&presses(text), sender, receiver, pause, drops);
                    let hearing = hear(&bytes, 8);
                    assert!(
                        hearing.score < IS_TEXT,
                        "{text:?} at {sent} heard at {listened}: {bytes:x?} {hearing:?}"
                    );
                }
            }
        }
    }
}

#[test]
fn a_line_heard_at_four_times_its_rate_and_more_is_told_as_heard_too_fast() {
    for text in TEXTS {
        for (sent, listened) in [(1_200, 9_600), (2_400, 9_600), (4_800, 38_400), (9_600, 115_200)] {
            let (sender, receiver) = (End::new(sent, 8, Parity::None), End::new(listened, 8, Parity::None));
            let hearing = hear(&heard(&presses(text), sender, receiver, 0, false), 8);
            assert_eq!(hearing.verdict, Verdict::HeardTooFast, "{text:?} {sent} {listened}: {hearing:?}");
        }
    }
}

#[test]
fn a_line_heard_too_slow_is_not_told_as_heard_too_fast() {
    for text in TEXTS {
        for (sent, listened) in [(9_600, 4_800), (19_200, 9_600), (38_400, 9_600)] {
            let (sender, receiver) = (End::new(sent, 8, Parity::None), End::new(listened, 8, Parity::None));
            let bytes = heard(&presses(text), sender, receiver, 0, false);
            let hearing = hear(&bytes, 8);
            assert_ne!(hearing.verdict, Verdict::HeardTooFast, "{text:?} {sent} {listened}: {bytes:x?}");
        }
    }
}

#[test]
fn seven_bits_with_parity_are_told_from_what_eight_bits_hear() {
    for text in TEXTS {
        for parity in [Parity::Even, Parity::Odd] {
            let (sender, receiver) = (End::new(9_600, 7, parity), End::new(9_600, 8, Parity::None));
            let bytes = heard(&presses(text), sender, receiver, 0, true);
            assert_eq!(hear(&bytes, 8).verdict, Verdict::SevenBits(parity), "{text:?} {bytes:x?}");
        }
    }
}

#[test]
fn eight_bits_with_parity_are_told_where_the_driver_drops_wrong_characters() {
    let text = "0017;60;92.4;GU;OK\r\n0018;60;92.5;GU;OK\r\n0019;60;93.7;GU;OK\r\n";
    for parity in [Parity::Even, Parity::Odd] {
        let (sender, receiver) = (End::new(9_600, 8, parity), End::new(9_600, 8, Parity::None));
        let bytes = heard(text.as_bytes(), sender, receiver, 0, true);
        assert!(bytes.len() < text.len(), "{bytes:x?}");
        let hearing = hear(&bytes, 8);
        assert_eq!(hearing.verdict, Verdict::EightBits(parity), "{bytes:x?}");
        assert!(hearing.score < IS_TEXT);
        // Where it drops none, every character is there, and right.
        assert_eq!(heard(text.as_bytes(), sender, receiver, 0, false), text.as_bytes());
    }
}

#[test]
fn nothing_and_next_to_nothing_are_no_text() {
    assert_eq!(hear(b"", 8).verdict, Verdict::Nothing);
    assert_eq!(hear(b"6\r", 8).verdict, Verdict::Nothing);
    assert!(hear(b"HELLO WORLD", 8).score < IS_TEXT, "no digits, no line end");
}

#[test]
fn a_line_between_soh_and_eot_is_text() {
    let heard = hear(b"\x01M7::60::092,43::gu::v~1163\x04", 8);
    assert_eq!(heard.verdict, Verdict::Text, "{heard:?}");
}
