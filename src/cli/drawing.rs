//! A waveform in a few lines of text.

/// Lines of a drawing.
const ROWS: usize = 3;
/// Dots of one character of the Braille block (Unicode chapter 21.1): two wide, four high. Bits of the dots from top to
/// bottom, left column and right column.
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// Draws samples of -1 to 1, `columns` characters wide. Between two samples all dots are set, so that it reads as a line.
pub fn wave(samples: &[f32], columns: usize) -> Vec<String> {
    let (width, height) = (2 * columns, 4 * ROWS);
    let mut canvas = vec![vec![0u8; columns]; ROWS];
    if samples.is_empty() || columns == 0 {
        return Vec::new();
    }
    let level = |x: f32| ((0.5 - 0.5 * x.clamp(-1.0, 1.0)) * (height - 1) as f32).round() as usize;
    let mut before = level(samples[0]);
    for dot in 0..width {
        let from = dot * samples.len() / width;
        let to = ((dot + 1) * samples.len() / width).max(from + 1).min(samples.len());
        let (mut top, mut bottom) = (before, before);
        for &x in &samples[from.min(samples.len() - 1)..to] {
            before = level(x);
            (top, bottom) = (top.min(before), bottom.max(before));
        }
        for y in top..=bottom {
            canvas[y / 4][dot / 2] |= DOTS[dot % 2][y % 4];
        }
    }
    let line =
        |row: Vec<u8>| row.into_iter().map(|dots| char::from_u32(0x2800 + u32::from(dots)).unwrap_or(' ')).collect();
    canvas.into_iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    /// By hand: two columns of characters are four dots wide; silence is a line through the middle (level 5.5, rounded to
    /// the sixth of twelve rows from the top, counted from 0: the third dot of the second character row).
    #[test]
    fn silence_is_a_line_and_a_step_an_edge() {
        assert_eq!(super::wave(&[0.0; 8], 2), ["⠀⠀", "⠤⠤", "⠀⠀"]);
        // from the top row to the bottom row: the edge is at the third dot
        assert_eq!(super::wave(&[1.0, 1.0, -1.0, -1.0], 2), ["⠉⡇", "⠀⡇", "⠀⣇"]);
        assert!(super::wave(&[], 5).is_empty());
    }
}
