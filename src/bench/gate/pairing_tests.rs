use super::*;
use crate::bench::gate::tries::FROM_ALL;
use crate::bench::gate::tries::FROM_ONE;

const SECOND_US: u64 = 1_000_000;

fn codes() -> (Code, Code) {
    (Code::new([1, 2, 3, 4, 5]), Code::new([250, 9, 8, 7, 6]))
}

fn pairing() -> Pairing {
    let (operator, viewer) = codes();
    Pairing::new(&operator, &viewer)
}

fn token(n: u8) -> Token {
    Token::new([n; 32])
}

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn phone() -> IpAddr {
    ip("192.168.1.20")
}

#[test]
fn a_code_is_forty_bits_in_two_groups_without_letters_that_look_like_digits() {
    // By hand: 0x0102030405 is 00000 00100 00001 00000 00110 00001 00000 00101.
    assert_eq!(Code::new([1, 2, 3, 4, 5]).to_string(), "0410-6105");
    assert_eq!(Code::new([0xff; 5]).to_string(), "ZZZZ-ZZZZ");
    assert_eq!(Code::new([0; 5]).to_string(), "0000-0000");
    for letter in "ILOU".chars() {
        assert!(!ALPHABET.contains(&(letter as u8)));
    }
}

#[test]
fn a_code_may_be_typed_as_people_type() {
    for typed in ["0410-6105", " 0410 6105 ", "o4iO6l05", "O4-L0 6I0-5"] {
        assert_eq!(pairing().enter(phone(), typed, &token(1), 0), Answer::Paired(Role::Operator), "{typed}");
    }
}

#[test]
fn each_code_gives_its_role_and_the_cookie_keeps_it_for_a_working_day() {
    let (operator, viewer) = codes();
    let mut pairing = pairing();
    let now_us = 5 * SECOND_US;
    assert_eq!(pairing.enter(phone(), operator.plain(), &token(1), now_us), Answer::Paired(Role::Operator));
    assert_eq!(pairing.enter(phone(), viewer.plain(), &token(2), now_us), Answer::Paired(Role::Viewer));
    let last_us = now_us + 12 * 3600 * SECOND_US - 1;
    for at_us in [now_us, last_us] {
        assert_eq!(pairing.role(&token(1).hex(), at_us), Some(Role::Operator));
        assert_eq!(pairing.role(&token(2).hex(), at_us), Some(Role::Viewer));
    }
    assert_eq!(pairing.role(&token(1).hex(), last_us + 1), None);
    assert_eq!(pairing.role(&token(2).hex(), last_us + 1), None);
}

#[test]
fn a_cookie_that_nobody_was_given_opens_nothing() {
    let mut pairing = pairing();
    pairing.enter(phone(), codes().0.plain(), &token(1), 0);
    let right = token(1).hex();
    let near = format!("{}f", &right[..63]);
    let signed = format!("+1{}", &right[2..]);
    let wide = format!("{}é", &right[..62]);
    for cookie in ["", "0", &right[..63], &near, &signed, &wide, &format!("{right}0"), &"g".repeat(64)] {
        assert_eq!(pairing.role(cookie, 1), None, "{cookie}");
    }
    assert_eq!(pairing.role(&token(2).hex(), 1), None);
}

#[test]
fn after_five_wrong_codes_even_the_right_one_waits_a_minute() {
    let mut pairing = pairing();
    for _ in 0..FROM_ONE {
        assert_eq!(pairing.enter(phone(), "AAAA-AAAA", &token(1), 0), Answer::Wrong);
    }
    let right = codes().0;
    let wait = Answer::Wait { wait_us: 60 * SECOND_US };
    assert_eq!(pairing.enter(phone(), "AAAA-AAAA", &token(1), 0), wait, "a wrong one");
    assert_eq!(pairing.enter(phone(), right.plain(), &token(1), 0), wait, "and the right one look the same");
    assert_eq!(pairing.role(&token(1).hex(), 0), None);
    let early = pairing.enter(phone(), right.plain(), &token(1), 60 * SECOND_US - 1);
    assert_eq!(early, Answer::Wait { wait_us: 1 });
    assert_eq!(
        pairing.enter(phone(), right.plain(), &token(1), 60 * SECOND_US),
        Answer::Paired(Role::Operator)
    );
}

#[test]
fn a_guesser_gets_one_try_a_minute_however_long_they_stay() {
    let mut pairing = pairing();
    let day_us = 24 * 3600 * SECOND_US;
    let tries = (0..day_us).step_by(usize::try_from(SECOND_US).unwrap());
    let looked_at =
        tries.filter(|now| pairing.enter(phone(), "AAAA-AAAA", &token(1), *now) == Answer::Wrong).count();
    assert_eq!(looked_at, 24 * 60 + 4, "five at once, the first of them being that minute's");
}

#[test]
fn one_guesser_does_not_lock_the_others_out_but_many_do_for_a_while() {
    let mut pairing = pairing();
    let (operator, _) = codes();
    for _ in 0..50 {
        pairing.enter(phone(), "AAAA-AAAA", &token(9), 0);
    }
    let tablet = ip("192.168.1.30");
    assert_eq!(pairing.enter(tablet, operator.plain(), &token(1), 0), Answer::Paired(Role::Operator));

    let crowd = (0..=255).map(|n| ip(&format!("10.0.0.{n}")));
    let looked_at =
        crowd.filter(|from| pairing.enter(*from, "AAAA-AAAA", &token(9), 0) == Answer::Wrong).count();
    assert_eq!(looked_at as u64, FROM_ALL - FROM_ONE, "the rest of what everybody has together");
    let late = ip("192.168.1.31");
    assert!(matches!(pairing.enter(late, operator.plain(), &token(2), 0), Answer::Wait { .. }));
    assert_eq!(pairing.role(&token(1).hex(), 0), Some(Role::Operator), "who is in stays in");
    let later = pairing.enter(late, operator.plain(), &token(2), 60 * SECOND_US);
    assert_eq!(later, Answer::Paired(Role::Operator));
}

#[test]
fn a_whole_ipv6_network_counts_as_one_guest() {
    let mut pairing = pairing();
    for n in 0..FROM_ONE {
        assert_eq!(pairing.enter(ip(&format!("2001:db8::{n}")), "A", &token(1), 0), Answer::Wrong);
    }
    assert!(matches!(pairing.enter(ip("2001:db8::ffff"), "A", &token(1), 0), Answer::Wait { .. }));
    assert_eq!(pairing.enter(ip("2001:db8:0:1::1"), "A", &token(1), 0), Answer::Wrong);
}

#[test]
fn the_memory_of_addresses_is_bounded_and_so_is_that_of_guests() {
    let mut pairing = pairing();
    for n in 0..2000_u64 {
        let from = ip(&format!("10.{}.{}.1", n / 250, n % 250));
        pairing.enter(from, "A", &token(1), n * 30 * SECOND_US);
    }
    let mut now_us = 3_000 * 60 * SECOND_US;
    for n in 0..=200 {
        now_us += 1;
        let entered = pairing.enter(phone(), codes().1.plain(), &token(n), now_us);
        assert_eq!(entered, Answer::Paired(Role::Viewer));
    }
    assert_eq!(pairing.guests.len(), MOST);
    assert_eq!(pairing.role(&token(200).hex(), now_us), Some(Role::Viewer));
    assert_eq!(pairing.role(&token(0).hex(), now_us), None, "the one that came first made room");
}

#[test]
fn viewers_do_not_push_operators_out() {
    let mut pairing = pairing();
    let (operator, viewer) = codes();
    pairing.enter(phone(), operator.plain(), &token(255), 0);
    for n in 0..=200 {
        pairing.enter(phone(), viewer.plain(), &token(n), 0);
    }
    assert_eq!(pairing.role(&token(255).hex(), 1), Some(Role::Operator));
}

#[test]
fn nothing_that_prints_the_state_shows_a_secret() {
    let (operator, _) = codes();
    let printed = format!("{:?} {:?} {:?}", operator, token(171), pairing());
    assert!(!printed.contains("0410") && !printed.contains("abab"), "{printed}");
}
