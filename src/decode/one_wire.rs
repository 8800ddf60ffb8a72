//! The scratchpad of a 1-wire thermometer, as the bus gives it.

use crate::calibration::one_wire::register;
use crate::decode::{DecodeError, Excerpt};

/// Bytes of a scratchpad.
const LENGTH: usize = 9;

/// The temperature register (sixteenths of a degree) of nine bytes, or of their
/// text in hexadecimal digits, with or without spaces or colons between bytes.
pub(super) fn decode(payload: &[u8]) -> Result<f64, DecodeError> {
    let given = || Excerpt::of_bytes(payload);
    // Text of nine bytes has at least 18 digits: the two are never mistaken.
    let scratchpad = match <[u8; LENGTH]>::try_from(payload) {
        Ok(bytes) => bytes,
        Err(_) => from_text(payload).ok_or_else(|| DecodeError::NotAScratchpad { given: given() })?,
    };
    match register(scratchpad) {
        Ok(register) => Ok(f64::from(register)),
        Err(problem) => Err(DecodeError::Scratchpad { given: Excerpt::of(&in_hex(scratchpad)), problem }),
    }
}

fn from_text(payload: &[u8]) -> Option<[u8; LENGTH]> {
    // Nine bytes with one mark between them, and white space around.
    const TEXT_MAX: usize = 64;
    if payload.len() > TEXT_MAX {
        return None;
    }
    let text = std::str::from_utf8(payload).ok()?.trim();
    let mut digits = text.chars().filter(|c| !matches!(c, ' ' | ':'));
    let mut bytes = [0; LENGTH];
    for byte in &mut bytes {
        let (high, low) = (digits.next()?.to_digit(16)?, digits.next()?.to_digit(16)?);
        *byte = u8::try_from(high * 16 + low).ok()?;
    }
    digits.next().is_none().then_some(bytes)
}

fn in_hex(bytes: [u8; LENGTH]) -> String {
    bytes.map(|byte| format!("{byte:02X}")).join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_and_their_text_give_one_register() {
        let bytes = [0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C];
        let forms: [&[u8]; 4] =
            [&bytes, b"50 05 4B 46 7F FF 0C 10 1C", b"50054b467fff0c101c\r\n", b"50:05:4B:46:7F:FF:0C:10:1C"];
        for payload in forms {
            assert_eq!(decode(payload).map(f64::to_bits), Ok(1360.0_f64.to_bits()), "{payload:?}");
        }
    }

    #[test]
    fn what_is_no_scratchpad_is_refused_and_shown() {
        for payload in [
            &b"50 05 4B 46 7F FF 0C 10"[..],
            b"50 05 4B 46 7F FF 0C 10 1C 00",
            b"50 05 4B 46 7F FF 0C 10 1G",
            b"22.5",
            b"",
            &[0xFF; 8],
            &[b' '; 4096],
        ] {
            assert!(matches!(decode(payload), Err(DecodeError::NotAScratchpad { .. })), "{payload:?}");
        }
        let told = decode(&[0x51, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C]).unwrap_err().to_string();
        assert!(told.contains("51 05 4B 46 7F FF 0C 10 1C") && told.contains("0x1c"), "{told}");
        let told = decode(&[0; 9]).unwrap_err().to_string();
        assert!(told.contains("zero"), "{told}");
    }
}
