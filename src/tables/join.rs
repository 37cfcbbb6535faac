//! The tables of many runs as one file: the rows of each run are kept by its recording's digest and
//! only put one behind the other, so that a long study is not replayed whole.

use super::schema::Table;
use super::write_header;
use std::io;
use std::io::Read;
use std::io::Write;

/// Writes the header and then the rows of each run, in the order of the run ids (by bytes). `open`
/// gives a run's rows as [`super::write()`] made them without a header; the parts are opened one at a
/// time, each when its turn comes.
///
/// # Errors
/// A run id that is there twice ([`io::ErrorKind::InvalidInput`]), rows that do not end with a line
/// end ([`io::ErrorKind::UnexpectedEof`]: the part was cut off and must be made again), and whatever
/// `open`, the parts or `out` report.
pub fn join<R: Read>(
    table: Table,
    run_ids: &[&str],
    mut open: impl FnMut(&str) -> io::Result<R>,
    out: &mut dyn Write,
) -> io::Result<()> {
    let mut run_ids = run_ids.to_vec();
    run_ids.sort_unstable();
    if let Some(pair) = run_ids.windows(2).find(|pair| pair[0] == pair[1]) {
        let what = format!("run `{}` is named twice; each run may stand in a table once", pair[0]);
        return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
    }
    write_header(table, out)?;
    for id in run_ids {
        copy_rows(table, id, open(id)?, out)?;
    }
    out.flush()
}

fn copy_rows(table: Table, id: &str, mut rows: impl Read, out: &mut dyn Write) -> io::Result<()> {
    let mut buffer = vec![0; 64 * 1024];
    let mut last = b'\n';
    loop {
        let n = match rows.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) => n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        last = buffer[n - 1];
        out.write_all(&buffer[..n])?;
    }
    if last == b'\n' {
        return Ok(());
    }
    let what =
        format!("the rows of run `{id}` for {} are cut off; make them again by a replay", table.file_name());
    Err(io::Error::new(io::ErrorKind::UnexpectedEof, what))
}
