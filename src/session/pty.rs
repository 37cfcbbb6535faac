//! The other end of a pseudo-terminal: a port that the serial code opens like any other, with a program
//! in place of the meter. It can be unplugged and put back under the same name.

use std::fs;
use std::io;
use std::os::fd::AsFd;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::path::PathBuf;
use std::time::Duration;

use rustix::fs::Mode;
use rustix::fs::OFlags;
use rustix::io::Errno;
use rustix::pty::OpenptFlags;
use rustix::termios::OptionalActions;
use tokio::io::unix::AsyncFd;

/// How often to look whether somebody has opened the other end: the system has no event for that.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How long to leave somebody who has just opened the other end to make their settings. What is sent
/// within that moment is rightly taken for something old.
const LEAVE_TO_SETTLE: Duration = Duration::from_millis(50);

/// The meter's end of a pseudo-terminal. Dropping it hangs up, and takes the link away again.
#[derive(Debug)]
pub struct PtyHost {
    /// `None` while unplugged.
    end: Option<End>,
    link: Option<PathBuf>,
    /// Bytes that came while we only looked whether somebody is there.
    inbox: Vec<u8>,
}

#[derive(Debug)]
struct End {
    fd: AsyncFd<OwnedFd>,
    path: PathBuf,
    /// Whether the present registration with the event loop was made while somebody had the other end.
    attached: bool,
}

impl PtyHost {
    /// Makes a new pseudo-terminal. Needs to be called within a tokio runtime.
    ///
    /// # Errors
    /// Whatever the system says, as when it has no more pseudo-terminals to give.
    pub fn open() -> io::Result<PtyHost> {
        Ok(PtyHost { end: Some(End::open()?), link: None, inbox: Vec::new() })
    }

    /// The name to open: the stable one given to [`link_at`](Self::link_at), or else the device's own.
    /// Unplugged and without a link there is none, and the path is empty.
    pub fn path(&self) -> &Path {
        match (&self.link, &self.end) {
            (Some(link), _) => link,
            (None, Some(end)) => &end.path,
            (None, None) => Path::new(""),
        }
    }

    /// Keeps a link at `path` that leads to this pseudo-terminal, through every unplugging and return, as
    /// the system keeps links by id for a real adapter. An old link there is replaced; anything else is
    /// left alone.
    ///
    /// # Errors
    /// `AlreadyExists` where something other than a link is at `path`; or what the system says.
    pub fn link_at(&mut self, path: impl Into<PathBuf>) -> io::Result<()> {
        let path = path.into();
        if fs::symlink_metadata(&path).is_ok_and(|m| !m.is_symlink()) {
            let text = format!("{} is there already and is no link; choose another name", path.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, text));
        }
        if let Some(end) = &self.end {
            point(&path, &end.path)?;
        }
        if self.link.as_ref() != Some(&path) {
            self.remove_link();
            self.link = Some(path);
        }
        Ok(())
    }

    /// Sends all of `bytes`. While nobody has the other end open it waits, as long as it takes: a meter
    /// whose cable leads nowhere would lose them, but a simulated one has its scenario to get through.
    /// Not cancel-safe: what was sent when it is dropped is not known.
    ///
    /// # Errors
    /// `NotConnected` while unplugged; or what the system says.
    pub async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut rest = bytes;
        while !rest.is_empty() {
            self.wait_for_reader().await?;
            let end = self.end.as_mut().ok_or_else(unplugged)?;
            let mut ready = end.fd.writable().await?;
            let hung_up = ready.ready().is_write_closed() || ready.ready().is_read_closed();
            match ready.try_io(|fd| rustix::io::write(fd, rest).map_err(io::Error::from)) {
                Ok(Ok(sent)) => rest = &rest[sent..],
                Ok(Err(e)) if is_hang_up(&e) => end.attached = false,
                Ok(Err(e)) if e.kind() == io::ErrorKind::Interrupted => {}
                Ok(Err(e)) => return Err(e),
                // A hang-up stays on the registration for good; it takes a new one to wait properly again.
                Err(_would_block) if hung_up => end.attached = false,
                Err(_would_block) => {}
            }
        }
        Ok(())
    }

    /// Waits for bytes from the other end (a meter's requests), through any time that nobody has it open.
    /// Gives 1 to `buf.len()` bytes. Cancel-safe.
    ///
    /// # Errors
    /// `InvalidInput` for an empty buffer; `NotConnected` while unplugged; or what the system says.
    pub async fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        if buf.is_empty() {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "there is no room to read into"));
        }
        loop {
            self.wait_for_reader().await?;
            if !self.inbox.is_empty() {
                let n = buf.len().min(self.inbox.len());
                buf[..n].copy_from_slice(&self.inbox[..n]);
                self.inbox.drain(..n);
                return Ok(n);
            }
            // Looking whether somebody is there has read what had come, so this waits for what comes next.
            let end = self.end.as_mut().ok_or_else(unplugged)?;
            let mut ready = end.fd.readable().await?;
            let hung_up = ready.ready().is_read_closed();
            match ready.try_io(|fd| rustix::io::read(fd, &mut *buf).map_err(io::Error::from)) {
                Ok(Ok(0)) => end.attached = false,
                Ok(Ok(n)) => return Ok(n),
                Ok(Err(e)) if is_hang_up(&e) => end.attached = false,
                Ok(Err(e)) if e.kind() == io::ErrorKind::Interrupted => {}
                Ok(Err(e)) => return Err(e),
                Err(_would_block) if hung_up => end.attached = false,
                Err(_would_block) => {}
            }
        }
    }

    /// Returns once somebody has the other end open, and has had a moment to settle. Cancel-safe.
    ///
    /// # Errors
    /// `NotConnected` while unplugged; or what the system says.
    pub async fn wait_for_reader(&mut self) -> io::Result<()> {
        loop {
            let end = self.end.as_mut().ok_or_else(unplugged)?;
            if end.look(&mut self.inbox)? {
                if end.attached {
                    return Ok(());
                }
                tokio::time::sleep(LEAVE_TO_SETTLE).await;
                // Then look once more, for a hang-up before the new registration would not be told by it.
                self.end = Some(self.end.take().ok_or_else(unplugged)?.register_again()?);
                continue;
            }
            end.attached = false;
            tokio::time::sleep(LOOK_EVERY).await;
        }
    }

    /// Pulls the plug: whoever has the other end open sees it hang up, and the link is gone.
    pub fn unplug(&mut self) {
        // The link goes first, so that nobody can follow it to the next owner of the device's number.
        if self.link.is_some() {
            self.remove_link_keeping_its_name();
        }
        self.end = None;
        self.inbox.clear();
    }

    /// Puts the plug back in: a new pseudo-terminal, under the same link. Does nothing when plugged in.
    ///
    /// # Errors
    /// Whatever the system says.
    pub fn plug_in(&mut self) -> io::Result<()> {
        if self.end.is_none() {
            let end = End::open()?;
            if let Some(link) = &self.link {
                point(link, &end.path)?;
            }
            self.end = Some(end);
        }
        Ok(())
    }

    /// Unplugs and plugs in again; the link is pointed at the new device in one step, and so is never
    /// missing.
    ///
    /// # Errors
    /// Whatever the system says; the old one then stays.
    pub fn replug(&mut self) -> io::Result<()> {
        let end = End::open()?;
        if let Some(link) = &self.link {
            point(link, &end.path)?;
        }
        self.end = Some(end);
        self.inbox.clear();
        Ok(())
    }

    /// Hangs up for good.
    pub fn hang_up(self) {}

    fn remove_link_keeping_its_name(&mut self) {
        let (Some(link), Some(end)) = (&self.link, &self.end) else { return };
        // Another program may have put its own link there since.
        if fs::read_link(link).is_ok_and(|to| to == end.path) {
            // Failing leaves a link that leads nowhere, which is as good as none to whoever opens it.
            let _ = fs::remove_file(link);
        }
    }

    fn remove_link(&mut self) {
        self.remove_link_keeping_its_name();
        self.link = None;
    }
}

impl Drop for PtyHost {
    fn drop(&mut self) {
        self.remove_link();
    }
}

impl End {
    fn open() -> io::Result<End> {
        // Without CLOEXEC a child process would keep the master open and hide the hang-up.
        let fd = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        rustix::pty::grantpt(&fd)?;
        rustix::pty::unlockpt(&fd)?;
        // Raw before the name is known to anyone: a line discipline in its first state would echo and
        // rewrite whatever is sent before the reader has made its own settings.
        let mut settings = rustix::termios::tcgetattr(&fd)?;
        settings.make_raw();
        rustix::termios::tcsetattr(&fd, OptionalActions::Now, &settings)?;
        let name = rustix::pty::ptsname(&fd, Vec::new())?;
        let path = PathBuf::from(name.into_string().map_err(io::Error::other)?);
        // Opened and closed once, so that "nobody has it open" looks the same from the beginning.
        drop(rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?);
        rustix::io::ioctl_fionbio(&fd, true)?;
        Ok(End { fd: register(fd)?, path, attached: false })
    }

    /// Whether somebody has the other end open. Bytes that are found on the way go to `inbox`.
    fn look(&self, inbox: &mut Vec<u8>) -> io::Result<bool> {
        let mut buf = [0; 4096];
        match rustix::io::read(self.fd.get_ref().as_fd(), &mut buf) {
            Ok(0) | Err(Errno::IO) => Ok(false),
            Ok(n) => {
                inbox.extend_from_slice(&buf[..n]);
                Ok(true)
            }
            Err(Errno::AGAIN | Errno::INTR) => Ok(true),
            Err(e) => Err(e.into()),
        }
    }

    fn register_again(self) -> io::Result<End> {
        let fd = self.fd.into_inner();
        Ok(End { fd: register(fd)?, path: self.path, attached: true })
    }
}

#[expect(
    deprecated,
    reason = "its successor is unsafe, since other types may close their descriptor early; an OwnedFd cannot"
)]
fn register(fd: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    AsyncFd::new(fd)
}

fn is_hang_up(e: &io::Error) -> bool {
    e.raw_os_error() == Some(Errno::IO.raw_os_error())
}

fn unplugged() -> io::Error {
    io::Error::new(io::ErrorKind::NotConnected, "the simulated meter is unplugged; plug it in first")
}

/// Points the link at `to` in one step. A link in place of a file is nothing to be synced: it names a
/// device that is gone after the next boot.
fn point(link: &Path, to: &Path) -> io::Result<()> {
    let mut beside = link.as_os_str().to_owned();
    beside.push(format!(".{}.new", std::process::id()));
    match fs::remove_file(&beside) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    std::os::unix::fs::symlink(to, &beside)?;
    fs::rename(&beside, link)
}
