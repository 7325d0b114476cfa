//! On which kind of file system a folder lies, and whether a commit there can be relied
//! on: whether what was synced is on a disk, and whether locks and shared memory are those
//! of this machine.

/// What stands against a file system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Against {
    /// It is a network file system, or one that another machine serves: of this kind.
    Network(String),
    /// A program of its own serves it (FUSE), and where that keeps the files is not known.
    Program(String),
}

/// A line of `/proc/self/mountinfo`.
#[derive(Debug, PartialEq, Eq)]
struct Mount {
    id: u64,
    point: Vec<u8>,
    /// The type, with its subtype after a full stop where it has one.
    kind: String,
}

/// What stands against a folder whose path is given with its links resolved, by the text of
/// `/proc/self/mountinfo`: the mount with the number that the system gave, else the last
/// one mounted on the longest part of the path. `None` where nothing does, or the text does
/// not say.
pub(crate) fn against(mountinfo: &[u8], folder: &[u8], mount: Option<u64>) -> Option<Against> {
    against_kind(&found(mountinfo, folder, mount)?.kind)
}

/// The folder that the same mount is mounted on.
pub(crate) fn mounted_at(mountinfo: &[u8], folder: &[u8], mount: Option<u64>) -> Option<Vec<u8>> {
    found(mountinfo, folder, mount).map(|mount| mount.point)
}

fn found(mountinfo: &[u8], folder: &[u8], mount: Option<u64>) -> Option<Mount> {
    let mounts = || {
        let lines = mountinfo.split(|byte| *byte == b'\n');
        lines.filter_map(mount_of_line)
    };
    let numbered = mounts().find(|found| Some(found.id) == mount);
    numbered.or_else(|| {
        mounts()
            .filter(|mount| is_below(folder, &mount.point))
            .max_by_key(|mount| mount.point.len())
    })
}

/// Reads a line: number, parent, device, root, mount point, options, any number of optional
/// fields, a hyphen, and type (proc_pid_mountinfo(5), Linux manual pages).
fn mount_of_line(line: &[u8]) -> Option<Mount> {
    let mut fields = line.split(|byte| *byte == b' ');
    let id = std::str::from_utf8(fields.next()?).ok()?.parse().ok()?;
    let point = unescaped(fields.nth(3)?);
    let mut rest = fields.skip_while(|field| *field != b"-");
    let kind = String::from_utf8_lossy(rest.nth(1)?).into_owned();
    Some(Mount { id, point, kind })
}

/// Spaces, tabs, line feeds and backslashes are written as three octal digits.
fn unescaped(field: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((&first, after)) = rest.split_first() {
        let digits = after.get(..3).filter(|digits| {
            first == b'\\' && digits.iter().all(|digit| (b'0'..=b'7').contains(digit))
        });
        let value = digits.map(|digits| {
            digits
                .iter()
                .fold(0u32, |value, digit| value * 8 + u32::from(digit - b'0'))
        });
        match value.and_then(|value| u8::try_from(value).ok()) {
            Some(byte) => {
                bytes.push(byte);
                rest = &after[3..];
            }
            None => {
                bytes.push(first);
                rest = after;
            }
        }
    }
    bytes
}

/// Whether a path is a folder or lies in it.
fn is_below(path: &[u8], folder: &[u8]) -> bool {
    let folder = folder.strip_suffix(b"/").unwrap_or(folder);
    path.strip_prefix(folder)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with(b"/"))
}

/// Kernel file systems whose files another machine keeps, or the host of a virtual one
/// hands in, by their names in the kernel and in their own documentation.
const NETWORK: [&str; 30] = [
    "9p",
    "acfs",
    "afs",
    "auristorfs",
    "beegfs",
    "ceph",
    "cifs",
    "coda",
    "davfs",
    "fhgfs",
    "gfs",
    "gfs2",
    "glusterfs",
    "gpfs",
    "lustre",
    "mfs",
    "moosefs",
    "ncp",
    "ncpfs",
    "nfs",
    "nfs4",
    "ocfs2",
    "orangefs",
    "panfs",
    "prl_fs",
    "pvfs2",
    "smb3",
    "smbfs",
    "vboxsf",
    "vmhgfs",
];

/// Programs that serve files from another machine or an object store.
const REMOTE_PROGRAMS: [&str; 31] = [
    "afpfs",
    "blobfuse",
    "blobfuse2",
    "ceph",
    "ceph-fuse",
    "cephfs",
    "curlftpfs",
    "davfs",
    "davfs2",
    "gcsfuse",
    "geesefs",
    "glusterfs",
    "goofys",
    "grpcfuse",
    "gvfsd-fuse",
    "httpfs",
    "juicefs",
    "kio-fuse",
    "lizardfs",
    "mfs",
    "moosefs",
    "mount-s3",
    "osxfs",
    "rclone",
    "s3fs",
    "s3ql",
    "smbnetfs",
    "sshfs",
    "vmhgfs-fuse",
    "webdavfs",
    "weed",
];

/// Programs that serve files which lie on a disk of this machine, or pass every call on to
/// a folder of it.
const LOCAL_PROGRAMS: [&str; 14] = [
    "bindfs",
    "cryfs",
    "encfs",
    "exfat",
    "exfat-fuse",
    "ext2",
    "fuse-ext2",
    "fuse-overlayfs",
    "fuse2fs",
    "gocryptfs",
    "mergerfs",
    "ntfs-3g",
    "securefs",
    "unionfs",
];

/// What stands against a kind of file system.
///
/// `fuseblk` is a program on a block device of this machine (NTFS and exFAT), which passes
/// a sync on to it: it is allowed. Of other programs, those that are known to keep the
/// files here are allowed, and those that nothing is known of are refused: that a sync has
/// reached a disk is what the store promises, and whether theirs does cannot be found out.
pub(crate) fn against_kind(kind: &str) -> Option<Against> {
    if kind == "fuseblk" || kind.starts_with("fuseblk.") || LOCAL_PROGRAMS.contains(&kind) {
        return None;
    }
    let network = Some(Against::Network(kind.to_owned()));
    if NETWORK.contains(&kind) {
        return network;
    }
    let program = match kind.split_once('.') {
        Some(("fuse", program)) => program,
        None if kind == "fuse" => "",
        _ => return None,
    };
    if LOCAL_PROGRAMS.contains(&program) {
        None
    } else if NETWORK.contains(&program) || REMOTE_PROGRAMS.contains(&program) {
        network
    } else {
        Some(Against::Program(kind.to_owned()))
    }
}

/// What stands against a file system by its magic number, where there is no mountinfo: as
/// listed in statfs(2) of the Linux manual and in linux/magic.h. Unknown ones are taken
/// for local.
pub(crate) fn against_magic(magic: u32) -> Option<Against> {
    let name = match magic {
        0x6969 => "nfs",
        0x517B => "smb",
        0xFF53_4D42 => "cifs",
        0xFE53_4D42 => "smb3",
        0x0102_1997 => "9p",
        0x5346_414F | 0x6B41_4653 => "afs",
        0x7375_7245 => "coda",
        0x564C => "ncp",
        0x00C3_6400 => "ceph",
        0x0116_1970 => "gfs2",
        0x7461_636F => "ocfs2",
        // FUSE, of which this number does not say more.
        0x6573_5546 => return Some(Against::Program("fuse".to_owned())),
        _ => return None,
    };
    Some(Against::Network(name.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    // The form of the lines: proc_pid_mountinfo(5); the first is its own example.
    const MOUNTINFO: &str = "\
36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
27 1 254:0 / / rw,relatime - ext4 /dev/vda rw
40 27 0:50 / /home/ann/far rw,nosuid,nodev,relatime shared:5 master:1 - fuse.sshfs ann@host:/srv rw,user_id=1000
41 27 0:51 / /home/ann/far/near rw shared:6 - ext4 /dev/sdb1 rw
42 27 0:52 / /media/my\\040cloud\\011x rw - fuse.rclone remote: rw
43 27 8:17 / /media/stick rw - fuseblk /dev/sdb1 rw
44 27 0:53 / /srv/nfs rw - nfs4 host:/export rw
45 27 0:54 / /srv/x rw - ext4 /dev/sdc1 rw
46 45 0:55 / /srv/x rw - smb3 //host/share rw
47 27 0:56 / /srv/union rw - fuse.mergerfs a:b rw
48 27 0:57 / /srv/own rw - fuse.something something rw
49 27 0:58 / /srv/bare rw - fuse https://host/dav rw
50 27 0:59 / /srv/auto rw - autofs systemd-1 rw
";

    fn at(folder: &str) -> Option<Against> {
        against(MOUNTINFO.as_bytes(), folder.as_bytes(), None)
    }

    fn network(kind: &str) -> Option<Against> {
        Some(Against::Network(kind.to_owned()))
    }

    fn program(kind: &str) -> Option<Against> {
        Some(Against::Program(kind.to_owned()))
    }

    #[test]
    fn the_mount_that_a_folder_lies_on_decides() {
        assert_eq!(at("/home/ann/bench"), None);
        assert_eq!(at("/mnt2/bench"), None);
        assert_eq!(at("/home/ann/far"), network("fuse.sshfs"));
        assert_eq!(at("/home/ann/far/bench"), network("fuse.sshfs"));
        // Not below it, only spelt alike.
        assert_eq!(at("/home/ann/farther"), None);
        // A disk below a network folder is a disk.
        assert_eq!(at("/home/ann/far/near/bench"), None);
        assert_eq!(at("/media/my cloud\tx/bench"), network("fuse.rclone"));
        assert_eq!(at("/media/stick/bench"), None);
        assert_eq!(at("/srv/nfs/bench"), network("nfs4"));
        // Of two on one folder, the later hides the earlier.
        assert_eq!(at("/srv/x/bench"), network("smb3"));
        assert_eq!(at("/srv/union"), None);
        assert_eq!(at("/srv/own"), program("fuse.something"));
        assert_eq!(at("/srv/bare"), program("fuse"));
        assert_eq!(at("/srv/auto"), None);
    }

    #[test]
    fn the_number_of_the_mount_goes_before_its_path() {
        let text = MOUNTINFO.as_bytes();
        assert_eq!(against(text, b"/srv/x/bench", Some(45)), None);
        assert_eq!(against(text, b"/home", Some(44)), network("nfs4"));
        // A number that the text does not have: by the path.
        assert_eq!(against(text, b"/srv/nfs", Some(999)), network("nfs4"));
    }

    #[test]
    fn lines_of_another_form_are_passed_over() {
        for text in [
            &b""[..],
            b"\n\n",
            b"x y z",
            b"27 1 254:0 / / rw,relatime",
            b"27 1 254:0 / / rw -",
            b"\xff\xfe 1 2 3 4 5 - nfs",
            b"27 1 254:0 / \\777 rw - nfs a rw",
        ] {
            assert_eq!(against(text, b"/home", None), None, "{text:?}");
        }
        assert_eq!(unescaped(b"a\\134b\\04\\400"), b"a\\b\\04\\400");
    }

    #[test]
    fn kinds_are_told_apart() {
        for kind in ["nfs", "cifs", "9p", "ceph", "afs", "glusterfs", "vboxsf"] {
            assert_eq!(against_kind(kind), network(kind));
        }
        for kind in [
            "fuse.s3fs",
            "fuse.gvfsd-fuse",
            "fuse.glusterfs",
            "fuse.davfs2",
        ] {
            assert_eq!(against_kind(kind), network(kind));
        }
        for kind in [
            "ext4",
            "xfs",
            "btrfs",
            "zfs",
            "tmpfs",
            "overlay",
            "virtiofs",
            "exfat",
            "ntfs3",
            "fuseblk",
            "fuseblk.ntfs-3g",
            "fuse.gocryptfs",
            "fuse-overlayfs",
            "fuse.fuse-overlayfs",
        ] {
            assert_eq!(against_kind(kind), None, "{kind}");
        }
    }

    // Magic numbers: statfs(2), Linux manual pages.
    #[test]
    fn without_mountinfo_the_number_of_the_file_system_says_what_it_can() {
        for (magic, name) in [(0x6969, "nfs"), (0xFF53_4D42, "cifs"), (0x0102_1997, "9p")] {
            assert_eq!(against_magic(magic), network(name));
        }
        assert_eq!(against_magic(0x6573_5546), program("fuse"));
        // ext4, tmpfs, btrfs, xfs, and none at all.
        for magic in [0xEF53, 0x0102_1994, 0x9123_683E, 0x5846_5342, 0] {
            assert_eq!(against_magic(magic), None);
        }
    }
}
