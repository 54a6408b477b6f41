//! Archive packages: a result folder with its captures as a BagIt bag with a PREMIS record.
//!
//! [`bag`] knows RFC 8493 and nothing of tapes, [`staging`] copies and hashes so that an interrupted run can go on,
//! [`premis`] writes the preservation record, [`pack`] puts the three together.

pub mod bag;
pub mod pack;
pub mod premis;
mod record;
pub mod staging;
