use super::*;
use proptest::prelude::*;

fn crc16(crc: Crc16) -> Algorithm {
    Algorithm { sum: Sum::Crc16(crc, Box::new(crc.table())), hex: HexCase::Upper }
}

/// Check values, the CRC of the characters "123456789", as the catalogue of parametrised CRC algorithms
/// has them (G. Cook, "Catalogue of parametrised CRC algorithms", 16-bit CRCs).
#[test]
fn the_presets_have_the_check_values_of_the_catalogue() {
    let published = [
        ("arc", 0xbb3d),
        ("modbus", 0x4b37),
        ("ibm-3740", 0x29b1),
        ("xmodem", 0x31c3),
        ("kermit", 0x2189),
        ("ibm-sdlc", 0x906e),
    ];
    for ((name, crc), (published_name, check)) in PRESETS.into_iter().zip(published) {
        assert_eq!(name, published_name);
        assert_eq!(crc16(crc).of(b"123456789"), check, "{name}");
    }
}

/// The crate `crc` with its own catalogue.
#[test]
fn the_presets_are_those_of_the_crate_crc() {
    let outside = [
        crc::CRC_16_ARC,
        crc::CRC_16_MODBUS,
        crc::CRC_16_IBM_3740,
        crc::CRC_16_XMODEM,
        crc::CRC_16_KERMIT,
        crc::CRC_16_IBM_SDLC,
    ];
    for ((name, preset), outside) in PRESETS.into_iter().zip(outside) {
        let same = Crc16 {
            polynomial: outside.poly,
            initial: outside.init,
            reflect_in: outside.refin,
            reflect_out: outside.refout,
            xor_out: outside.xorout,
        };
        assert_eq!(preset, same, "{name}");
    }
}

/// By hand: 0x31 ^ 0x32 ^ … ^ 0x39 is 0x31, and the sum 0x1DD.
#[test]
fn exclusive_or_and_sum_are_those_by_hand() {
    let of = |sum: Sum| Algorithm { sum, hex: HexCase::Upper };
    assert_eq!(of(Sum::Xor).of(b"123456789"), 0x31);
    assert_eq!(of(Sum::Sum8).of(b"123456789"), 0xdd);
    assert_eq!(of(Sum::Xor).of(b""), 0);
}

#[test]
fn digits_have_their_number_and_their_case() {
    let of = |hex| Algorithm { sum: Sum::Xor, hex };
    assert_eq!(of(HexCase::Upper).parse_digits(b"3D"), Some(0x3d));
    assert_eq!(of(HexCase::Upper).parse_digits(b"3d"), None);
    assert_eq!(of(HexCase::Lower).parse_digits(b"3D"), None);
    assert_eq!(of(HexCase::Either).parse_digits(b"3d"), Some(0x3d));
    for wrong in [&b"3"[..], b"03D", b"+D", b" 3", b"3G", b"\xff0"] {
        assert_eq!(of(HexCase::Either).parse_digits(wrong), None, "{wrong:?}");
    }
}

proptest! {
    /// Any parameters, by the crate `crc`, whose algorithms live as long as the program.
    #[test]
    fn any_sixteen_bits_are_figured_as_the_crate_crc_does(
        (polynomial, initial, xor_out) in any::<(u16, u16, u16)>(),
        (reflect_in, reflect_out) in any::<(bool, bool)>(),
        bytes in proptest::collection::vec(any::<u8>(), 0..40),
    ) {
        let outside: &'static crc::Algorithm<u16> = Box::leak(Box::new(crc::Algorithm {
            width: 16, poly: polynomial, init: initial, refin: reflect_in, refout: reflect_out,
            xorout: xor_out, check: 0, residue: 0,
        }));
        let own = crc16(Crc16 { polynomial, initial, reflect_in, reflect_out, xor_out });
        prop_assert_eq!(own.of(&bytes), crc::Crc::<u16>::new(outside).checksum(&bytes));
    }
}
