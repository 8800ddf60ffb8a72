//! Temperature from what a 1-wire thermometer keeps in its scratchpad.
//!
//! Nine bytes: the temperature register (low byte, high byte), two alarm limits,
//! the configuration, three reserved bytes, and a CRC of the eight before it. The
//! register is a signed 16-bit count of sixteenths of a degree.
//!
//! Sources: the register's table of temperatures as it is quoted in public driver
//! sources; the CRC (x⁸ + x⁵ + x⁴ + 1, reflected, from 0) and the power-on value
//! from memory of the trade's application notes.

use super::error::{OutOfRange, computed};
use super::figure::SixDigits;
use crate::why::{Check, Equation, Step};

pub(super) const EQUATION: Equation = Equation {
    gives: "temperature of the 1-wire thermometer",
    form: "t = register / 16",
    source: "the register's table as public driver sources quote it",
    check: Check::Table("one_wire_register.csv"),
};

/// Temperatures that the thermometer can give, °C.
pub const RANGE_C: (f64, f64) = (-55.0, 125.0);

/// What the register holds before the first measurement: 85 °C.
pub const POWER_ON: i16 = 0x0550;

/// Why nine bytes are no measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScratchpadError {
    #[error("its check byte is {given:#04x} where the eight bytes before come to {computed:#04x}")]
    Crc { given: u8, computed: u8 },
    /// It would pass the check: a line that is held low reads like this.
    #[error("all nine bytes are zero: the line is shorted or the sensor has no power")]
    AllZero,
}

/// The temperature register of a whole scratchpad, in sixteenths of a degree.
///
/// Below 12 bits of resolution the lowest bits mean nothing, and are 0 here. The
/// power-on value is returned as it is; [`temperature_c`] refuses it.
///
/// # Errors
///
/// When the bytes are all zero or the CRC does not hold.
pub fn register(scratchpad: [u8; 9]) -> Result<i16, ScratchpadError> {
    if scratchpad == [0; 9] {
        return Err(ScratchpadError::AllZero);
    }
    let [low, high, _, _, configuration, _, _, _, given] = scratchpad;
    let computed = crc8(&scratchpad[..8]);
    if computed != given {
        return Err(ScratchpadError::Crc { given, computed });
    }
    let bits_unused = 3 - ((configuration >> 5) & 3);
    Ok(i16::from_le_bytes([low, high]) & (-1 << bits_unused))
}

/// Temperature, °C, of a register that is given as a raw number: -32768 to
/// 32767, or the same 16 bits as 0 to 65535.
///
/// # Errors
///
/// When it is no 16-bit whole number, is the power-on value, or is outside
/// [`RANGE_C`].
pub fn temperature_c(raw: f64) -> Result<f64, OutOfRange> {
    if !(-SIGNED_MAX - 1.0..=UNSIGNED_MAX).contains(&raw) || raw.fract().abs() > 0.0 {
        return Err(OutOfRange::NotARegister { raw });
    }
    let signed = signed(raw);
    if (signed - f64::from(POWER_ON)).abs() < 0.5 {
        return Err(OutOfRange::PowerOn { raw });
    }
    computed(raw, signed / 16.0, "a temperature", "°C", RANGE_C)
}

/// How a register came to a temperature.
pub(super) fn step(raw: f64, celsius: f64) -> Step {
    EQUATION.step(format!("{} / 16 = {} °C", SixDigits(signed(raw)), SixDigits(celsius)))
}

const SIGNED_MAX: f64 = 32_767.0;
const UNSIGNED_MAX: f64 = 65_535.0;

fn signed(raw: f64) -> f64 {
    if raw > SIGNED_MAX { raw - UNSIGNED_MAX - 1.0 } else { raw }
}

/// The CRC of the 1-wire bus: x⁸ + x⁵ + x⁴ + 1, lowest bit first, from 0.
pub fn crc8(bytes: &[u8]) -> u8 {
    const REFLECTED: u8 = 0x8C;
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 1 { (crc >> 1) ^ REFLECTED } else { crc >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 25.0625 °C at 12 bits.
    fn whole() -> [u8; 9] {
        let mut bytes = [0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0];
        bytes[8] = crc8(&bytes[..8]);
        bytes
    }

    #[test]
    fn any_single_changed_bit_is_noticed() {
        assert_eq!(register(whole()), Ok(0x0191));
        for bit in 0..72 {
            let mut changed = whole();
            changed[bit / 8] ^= 1 << (bit % 8);
            assert!(matches!(register(changed), Err(ScratchpadError::Crc { .. })), "{bit}");
        }
    }

    #[test]
    fn a_line_held_low_or_high_is_no_measurement() {
        assert_eq!(register([0; 9]), Err(ScratchpadError::AllZero));
        assert!(matches!(register([0xFF; 9]), Err(ScratchpadError::Crc { .. })));
    }

    #[test]
    fn bits_below_the_resolution_are_dropped() {
        for (configuration, expected) in [(0x7F, 0x019F), (0x5F, 0x019E), (0x3F, 0x019C), (0x1F, 0x0198)] {
            let mut bytes = [0x9F, 0x01, 0x4B, 0x46, configuration, 0xFF, 0x0F, 0x10, 0];
            bytes[8] = crc8(&bytes[..8]);
            assert_eq!(register(bytes), Ok(expected), "{configuration:#x}");
        }
    }

    #[test]
    fn the_power_on_value_is_not_taken_for_heat() {
        assert_eq!(temperature_c(1360.0), Err(OutOfRange::PowerOn { raw: 1360.0 }));
        assert_eq!(temperature_c(1359.0), Ok(84.9375));
        for raw in [0.5, -32_769.0, 65_536.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(temperature_c(raw), Err(OutOfRange::NotARegister { .. })), "{raw}");
        }
        for raw in [2001.0, -881.0, 32_768.0] {
            assert!(matches!(temperature_c(raw), Err(OutOfRange::Computed { .. })), "{raw}");
        }
    }
}
