//! Killed processes, full disks, damaged files, two at once.
