//! A mark by which the program knows its own files again.
//!
//! Every drawing the program writes holds the words `fairpanel seal ` and sixteen hexadecimal digits: a checksum of
//! all its other bytes. A file whose seal fits is the program's own and was not touched since, and may be replaced by
//! a newer one. Any other file is somebody's work and is left alone.

/// What stands before the sixteen digits.
const MARK: &str = "fairpanel seal ";
const DIGITS: usize = 16;

/// The seal as writers put it into a file before the checksum is known; letters, digits and blanks only.
pub(crate) fn blank() -> String {
    format!("{MARK}{}", "0".repeat(DIGITS))
}

/// Fills in the checksum of a finished file that holds [`blank`].
pub(crate) fn close(mut bytes: Vec<u8>) -> Vec<u8> {
    if let Some(at) = place(&bytes) {
        let digits = checksum(&bytes, at);
        for (to, from) in bytes.iter_mut().skip(at).zip(digits.bytes()) {
            *to = from;
        }
    }
    bytes
}

/// Whether this file was written by this program and not changed since.
pub fn is_own(bytes: &[u8]) -> bool {
    place(bytes)
        .is_some_and(|at| bytes.get(at..at + DIGITS) == Some(checksum(bytes, at).as_bytes()))
}

/// Where the digits of the last seal in the file start.
fn place(bytes: &[u8]) -> Option<usize> {
    let at = bytes
        .windows(MARK.len())
        .rposition(|w| w == MARK.as_bytes())?
        + MARK.len();
    (at + DIGITS <= bytes.len()).then_some(at)
}

/// FNV-1a, 64 bits, of all bytes but the digits at `at`.
fn checksum(bytes: &[u8], at: usize) -> String {
    let (before, rest) = bytes.split_at(at.min(bytes.len()));
    let after = rest.get(DIGITS..).unwrap_or(&[]);
    let hash = before
        .iter()
        .chain(after)
        .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
        });
    format!("{hash:016x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_touched_file_is_no_longer_ours() {
        let ours = close(format!("drawing\n{}\nend", blank()).into_bytes());
        assert!(is_own(&ours));
        for at in 0..ours.len() {
            let mut touched = ours.clone();
            touched[at] ^= 1;
            assert!(!is_own(&touched), "byte {at}");
        }
        assert!(!is_own(b"somebody's notes"));
        assert!(!is_own(format!("x {}", blank()).as_bytes()));
    }

    #[test]
    fn checksum_is_fnv_1a() {
        // Test vectors of the FNV reference code (Fowler, Noll, Vo), from memory: "" and "foobar".
        assert_eq!(checksum(b"", 0), "cbf29ce484222325");
        assert_eq!(checksum(b"foobar", 6), "85944171f73967e8");
    }
}
