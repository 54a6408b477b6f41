//! A capture that someone kept in a lossy file: encoded and decoded again by ffmpeg.

use anyhow::{Context, Result, bail};
use std::path::Path;
use std::process::Command;

/// A codec of ffmpeg and its rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Codec {
    pub name: &'static str,
    encoder: &'static str,
    extension: &'static str,
    pub kbit: u32,
}

pub const fn mp3(kbit: u32) -> Codec {
    Codec { name: "MP3", encoder: "libmp3lame", extension: "mp3", kbit }
}

pub const fn opus(kbit: u32) -> Codec {
    Codec { name: "Opus", encoder: "libopus", extension: "opus", kbit }
}

pub const fn aac(kbit: u32) -> Codec {
    Codec { name: "AAC", encoder: "aac", extension: "m4a", kbit }
}

/// First line of what ffmpeg says of itself; `None` if it is not there.
pub fn version() -> Option<String> {
    let out = Command::new("ffmpeg").arg("-version").output().ok()?;
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    text.lines().next().map(|line| line.split(" Copyright").next().unwrap_or(line).to_string())
}

impl Codec {
    /// The samples that the decoder gives, and their rate (Opus plays at 48 kHz whatever went in).
    pub fn pass(&self, samples: &[f32], rate: u32) -> Result<(Vec<f32>, u32)> {
        let folder = tempfile::tempdir()?;
        let path = |name: &str| folder.path().join(name);
        let (before, coded, after) = (path("in.wav"), path(&format!("coded.{}", self.extension)), path("out.wav"));
        let whole: Vec<i16> = samples.iter().map(|x| (x * 32_768.0).round() as i16).collect();
        quorate::capture::write::write_wav16(&before, rate, 1, &whole)?;
        let kbit = format!("{}k", self.kbit);
        ffmpeg(&before, &["-c:a", self.encoder, "-b:a", &kbit], &coded)?;
        ffmpeg(&coded, &["-c:a", "pcm_s16le"], &after)?;
        let mut reader = hound::WavReader::open(&after)?;
        let rate = reader.spec().sample_rate;
        let samples = reader.samples::<i16>().map(|s| s.map(|s| f32::from(s) / 32_768.0)).collect::<Result<_, _>>()?;
        Ok((samples, rate))
    }
}

fn ffmpeg(input: &Path, between: &[&str], output: &Path) -> Result<()> {
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-hide_banner", "-loglevel", "error", "-threads", "1"])
        .arg("-i")
        .arg(input)
        .args(between)
        .arg(output)
        .output()
        .context("ffmpeg could not be run; leave the ladder `codecs` out")?;
    if !out.status.success() {
        bail!("ffmpeg failed: {}", String::from_utf8_lossy(&out.stderr).trim());
    }
    Ok(())
}
