//! Arrays in the `.npy` format, version 1.0, as numpy writes them: its documentation of `numpy.lib.format`. Always
//! little-endian and in C order; `tests/oracles/dossier.py` holds our bytes against those of numpy.

use std::io::{self, Write};

/// A number that an array may hold.
pub trait Number: Copy {
    /// As numpy's header names it.
    const DESCR: &'static str;
    const BYTES: usize;
    fn put(self, out: &mut Vec<u8>);
    /// `bytes` are as many as [`Number::BYTES`].
    fn get(bytes: &[u8]) -> Self;
}

macro_rules! number {
    ($kind:ty, $descr:literal) => {
        impl Number for $kind {
            const DESCR: &'static str = $descr;
            const BYTES: usize = size_of::<$kind>();
            fn put(self, out: &mut Vec<u8>) {
                out.extend(self.to_le_bytes());
            }
            fn get(bytes: &[u8]) -> $kind {
                let mut own = [0; size_of::<$kind>()];
                own.copy_from_slice(bytes);
                <$kind>::from_le_bytes(own)
            }
        }
    };
}
number!(f32, "<f4");
number!(f64, "<f8");
number!(i8, "|i1");

const MAGIC: &[u8] = b"\x93NUMPY\x01\x00";
/// The data begin at a multiple of this.
const ALIGNED: usize = 64;

/// Everything before the numbers.
pub fn header<T: Number>(shape: &[usize]) -> Vec<u8> {
    let sizes: Vec<String> = shape.iter().map(usize::to_string).collect();
    let tuple = match sizes.as_slice() {
        [one] => format!("({one},)"),
        all => format!("({})", all.join(", ")),
    };
    let mut text = format!("{{'descr': '{}', 'fortran_order': False, 'shape': {tuple}, }}", T::DESCR);
    // numpy leaves room for the first size to grow
    let growth = 21 - sizes.first().map_or(21, |s| s.len().min(21));
    text.push_str(&" ".repeat(growth));
    let before = MAGIC.len() + 2 + text.len() + 1;
    text.push_str(&" ".repeat(before.next_multiple_of(ALIGNED) - before));
    text.push('\n');
    let mut out = MAGIC.to_vec();
    out.extend((text.len() as u16).to_le_bytes());
    out.extend(text.bytes());
    out
}

/// Writes an array; `numbers` are as many as the sizes of `shape` multiply to.
pub fn write<T: Number>(out: &mut dyn Write, shape: &[usize], numbers: impl Iterator<Item = T>) -> io::Result<()> {
    out.write_all(&header::<T>(shape))?;
    let mut bytes = Vec::new();
    for number in numbers {
        number.put(&mut bytes);
        if bytes.len() > 1 << 16 {
            out.write_all(&bytes)?;
            bytes.clear();
        }
    }
    out.write_all(&bytes)
}

/// An array as read.
#[derive(Debug, PartialEq)]
pub struct Array<T> {
    pub shape: Vec<usize>,
    pub numbers: Vec<T>,
}

/// Reads what [`write`] wrote. Errors say what is wrong, in words that go behind the file's name.
pub fn read<T: Number>(bytes: &[u8]) -> Result<Array<T>, String> {
    let (shape, body) = split::<T>(bytes)?;
    Ok(Array { shape, numbers: body.chunks_exact(T::BYTES).map(T::get).collect() })
}

/// The sizes, and the bytes of the numbers.
fn split<T: Number>(bytes: &[u8]) -> Result<(Vec<usize>, &[u8]), String> {
    let bad = || format!("is no array of {} as quorate writes it", T::DESCR);
    let length = bytes.strip_prefix(MAGIC).and_then(|rest| rest.first_chunk::<2>()).ok_or_else(bad)?;
    let start = MAGIC.len() + 2 + usize::from(u16::from_le_bytes(*length));
    let head = bytes.get(..start).ok_or_else(bad)?;
    let text = std::str::from_utf8(&head[MAGIC.len() + 2..]).map_err(|_| bad())?;
    let tuple = text.split_once("'shape': (").and_then(|(_, rest)| rest.split_once(')')).ok_or_else(bad)?.0;
    let sizes: Result<Vec<usize>, _> =
        tuple.split(',').map(str::trim).filter(|size| !size.is_empty()).map(str::parse).collect();
    let shape = sizes.map_err(|_| bad())?;
    // the one way to write it: another kind of number, order or spacing is not ours
    if header::<T>(&shape) != head {
        return Err(bad());
    }
    let body = &bytes[start..];
    let wanted = shape.iter().try_fold(T::BYTES, |product, &size| product.checked_mul(size));
    if wanted != Some(body.len()) {
        return Err(format!("holds {} bytes of numbers where its header announces {shape:?}", body.len()));
    }
    Ok((shape, body))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The header is the one that numpy 2.4 writes for `np.save(f, np.zeros((3, 9), '<f4'))`: 128 bytes, its text worked
    /// by hand from the documentation of numpy.lib.format and compared by tests/oracles/dossier.py.
    #[test]
    fn a_header_reads_as_documented() {
        let head = header::<f32>(&[3, 9]);
        assert_eq!(head.len() % 64, 0);
        assert!(
            head.starts_with(b"\x93NUMPY\x01\x00\x76\x00{'descr': '<f4', 'fortran_order': False, 'shape': (3, 9), }")
        );
        assert!(head.ends_with(b" \n"));
        assert!(header::<i8>(&[7]).windows(4).any(|w| w == b"(7,)"));
    }

    #[test]
    fn what_was_written_is_read_and_nothing_else_is() {
        let mut bytes = Vec::new();
        write(&mut bytes, &[2, 3], [1.5f64, -0.0, 1e-300, 4.0, 5.0, f64::MAX].into_iter()).unwrap();
        let read_back = read::<f64>(&bytes).unwrap();
        assert_eq!((read_back.shape, read_back.numbers[2], read_back.numbers[5]), (vec![2, 3], 1e-300, f64::MAX));
        assert!(read::<f32>(&bytes).is_err());
        for cut in 0..bytes.len() {
            assert!(read::<f64>(&bytes[..cut]).is_err(), "cut at {cut}");
        }
        for at in 0..128 {
            let mut flipped = bytes.clone();
            flipped[at] ^= 0x20;
            // the shape may turn into another one of as many numbers; all else is refused
            assert!(read::<f64>(&flipped).is_err(), "flipped at {at}");
        }
        assert_eq!(read::<i8>(&header::<i8>(&[0])), Ok(Array { shape: vec![0], numbers: vec![] }));
    }
}
