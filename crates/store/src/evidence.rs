//! The audio behind readings: files beside the database, named by their hash.

use crate::chain::EvidenceRow;
use crate::error::StoreError;
use crate::writer::{describe_key, is_doubled};
use crate::{folder, identity, plain};
use hound::{SampleFormat, WavSpec, WavWriter};
use model::record::ReadingKey;
use model::time::SampleRate;
use rusqlite::{Connection, params};
use std::collections::BTreeSet;
use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};

/// Samples as a WAV file of 32-bit floats, one channel.
pub(crate) fn wav(samples: &[f32], rate: SampleRate) -> Result<Vec<u8>, hound::Error> {
    let mut bytes = Cursor::new(Vec::new());
    let spec = WavSpec {
        channels: 1,
        sample_rate: rate.get().round() as u32,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut writer = WavWriter::new(&mut bytes, spec)?;
    for sample in samples {
        writer.write_sample(*sample)?;
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}

pub(crate) fn folder_of(store: &Path, id: &str) -> PathBuf {
    store.join("evidence").join(id)
}

pub(crate) fn file_of(store: &Path, id: &str, hash: &str) -> PathBuf {
    folder_of(store, id).join(format!("{hash}.wav"))
}

/// How much the recordings of a run come to, in bytes.
pub(crate) fn used(connection: &Connection, run: i64) -> rusqlite::Result<i64> {
    connection
        .prepare_cached("SELECT coalesce(sum(bytes), 0) FROM evidence WHERE run = ?")
        .and_then(|mut select| select.query_row([run], |row| row.get(0)))
}

/// Writes a recording aside, puts it on disk, gives it its name and puts the name on
/// disk. Only then may its row be committed: whatever the moment of a power cut,
/// there is no hash without its recording.
pub(crate) fn write(
    store: &Path,
    id: &str,
    key: &ReadingKey,
    wav: &[u8],
) -> Result<EvidenceRow, StoreError> {
    let hash = identity::sha256(wav);
    write_file(store, id, &hash, wav)?;
    Ok(EvidenceRow {
        key: key.clone(),
        sha256: hash,
        bytes: wav.len() as i64,
    })
}

/// Puts the row of a recording into its table.
pub(crate) fn insert(
    connection: &Connection,
    database: &Path,
    run: i64,
    entry: i64,
    row: &EvidenceRow,
) -> Result<(), StoreError> {
    let EvidenceRow { key, sha256, bytes } = row;
    connection
        .prepare_cached(
            "INSERT INTO evidence
                (run, entry, stage, round, slot, repeat, attempt, position, sha256, bytes)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .and_then(|mut insert| {
            insert.execute(params![
                run,
                entry,
                key.stage,
                key.round,
                key.slot,
                key.repeat,
                key.attempt,
                key.position.as_str(),
                sha256,
                bytes,
            ])
        })
        .map(|_| ())
        .map_err(|error| {
            if is_doubled(&error) {
                StoreError::Doubled(format!("the evidence of {}", describe_key(key)))
            } else if error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) {
                StoreError::Failed {
                    attempted: "keeping evidence".into(),
                    path: database.to_owned(),
                    detail: format!("there is no reading of {}", describe_key(key)),
                }
            } else {
                StoreError::database("keeping evidence", database, &error)
            }
        })
}

fn write_file(store: &Path, id: &str, hash: &str, wav: &[u8]) -> Result<(), StoreError> {
    let path = file_of(store, id, hash);
    if path.exists() {
        // Named by its hash: the same recording behind another reading.
        return Ok(());
    }
    let home = folder_of(store, id);
    let fail = |error: &std::io::Error| StoreError::file("keeping evidence", &path, error);
    if !home.exists() {
        std::fs::create_dir_all(&home).map_err(|error| fail(&error))?;
        folder::sync(&store.join("evidence"))?;
        folder::sync(store)?;
    }
    own_folders(store, id)?;
    let aside = path.with_extension("part");
    plain::make(&aside)
        .and_then(|mut file| file.write_all(wav).and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::rename(&aside, &path))
        .map_err(|error| {
            let _ = std::fs::remove_file(&aside);
            fail(&error)
        })?;
    folder::sync(&home)
}

/// A recording, with its hash checked.
pub(crate) fn fetch(store: &Path, id: &str, hash: &str) -> Result<Vec<u8>, StoreError> {
    let path = file_of(store, id, hash);
    let damaged = |detail: String| StoreError::Damaged {
        path: path.clone(),
        detail,
    };
    let mut wav = Vec::new();
    plain::read(&path)
        .and_then(|mut file| file.read_to_end(&mut wav))
        .map_err(|error| damaged(format!("evidence that was kept cannot be read: {error}")))?;
    if identity::sha256(&wav) == hash {
        Ok(wav)
    } else {
        Err(damaged(
            "the recording is not what its hash was made of".into(),
        ))
    }
}

/// Refuses a link to another folder in the place of one of the store's: what is written
/// there, and what is swept, would be somebody else's.
fn own_folders(store: &Path, id: &str) -> Result<(), StoreError> {
    plain::folder(&store.join("evidence"))?;
    plain::folder(&folder_of(store, id))
}

/// Removes what was written of a run and never committed: files with names that
/// this program gives, and nothing else.
pub(crate) fn sweep(store: &Path, id: &str, kept: &BTreeSet<String>) -> Result<(), StoreError> {
    own_folders(store, id)?;
    let home = folder_of(store, id);
    let Ok(files) = std::fs::read_dir(&home) else {
        return Ok(());
    };
    for file in files {
        let swept = file.and_then(|file| {
            let path = file.path();
            let stem = path
                .file_stem()
                .map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
            let ours = stem.len() == 64 && stem.bytes().all(|byte| byte.is_ascii_hexdigit());
            let orphan = match path.extension().and_then(|extension| extension.to_str()) {
                Some("wav") => !kept.contains(&stem),
                Some("part") => true,
                _ => false,
            };
            if ours && orphan && file.file_type()?.is_file() {
                std::fs::remove_file(path)
            } else {
                Ok(())
            }
        });
        swept.map_err(|error| StoreError::file("sweeping evidence", &home, &error))?;
    }
    Ok(())
}
