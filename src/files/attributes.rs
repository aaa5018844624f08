//! What a file has beside its bytes, mode and owner: access lists (acl(5)) and further extended attributes (xattr(7)).
//!
//! Touches the two open files it is given.

use std::ffi::{CStr, CString};
use std::fs::File;
use std::io;

use rustix::fs::{XattrFlags, fgetxattr, flistxattr, fremovexattr, fsetxattr};
use rustix::io::Errno;

/// The most that Linux gives: for a list of names and for a value alike (xattr(7), "XATTR_LIST_MAX", "XATTR_SIZE_MAX").
const LARGEST: usize = 65_536;

/// Those that speak of a file's bytes, and which the kernel keeps by itself (evmctl(1)).
const OF_THE_BYTES: [&CStr; 2] = [c"security.ima", c"security.evm"];

/// The label that a policy gives each file when it is made (selinux(8)): taken over where that is allowed, never taken off.
const LABEL: &CStr = c"security.selinux";

/// An attribute that one file has and the other cannot be given.
#[derive(Debug, thiserror::Error)]
#[error("its attribute {name} cannot be kept")]
pub(crate) struct Unkept {
    /// Its name, the namespace in front.
    pub(crate) name: String,
    source: io::Error,
}

/// Gives `new` the attributes of `old`, no more and no fewer. To be called after a change of owner, which clears some of
/// them, and before the mode is set, which is part of an access list.
pub(crate) fn copy(old: &File, new: &File) -> Result<(), Unkept> {
    let (wanted, present) = (names(old)?, names(new)?);
    for name in &wanted {
        let value = value(old, name).map_err(|error| unkept(name, error))?;
        // It was taken off meanwhile.
        let Some(value) = value else { continue };
        if value_is(new, name, &value) {
            continue;
        }
        fsetxattr(new, name.as_c_str(), &value, XattrFlags::empty()).map_err(|error| unkept(name, error))?;
    }
    // The directory's default access list gives each new file one (acl(5), "Object creation and default ACLs").
    for name in present.iter().filter(|name| !wanted.contains(name) && name.as_c_str() != LABEL) {
        fremovexattr(new, name.as_c_str()).map_err(|error| unkept(name, error))?;
    }
    Ok(())
}

fn unkept(name: &CStr, error: Errno) -> Unkept {
    Unkept { name: name.to_string_lossy().into_owned(), source: error.into() }
}

/// The names of the attributes that can be seen, those left out that the kernel keeps.
fn names(file: &File) -> Result<Vec<CString>, Unkept> {
    let mut list = vec![0; LARGEST];
    let length = match flistxattr(file, &mut *list) {
        Ok(length) => length,
        // A file system without any.
        Err(Errno::OPNOTSUPP) => 0,
        Err(error) => return Err(unkept(c"list", error)),
    };
    list.truncate(length);
    let names = list.split_inclusive(|byte| *byte == 0).filter_map(|name| CStr::from_bytes_with_nul(name).ok());
    Ok(names.filter(|name| !OF_THE_BYTES.contains(name)).map(CStr::to_owned).collect())
}

/// The value of an attribute; `None` where there is none.
fn value(file: &File, name: &CStr) -> Result<Option<Vec<u8>>, Errno> {
    let mut value = vec![0; LARGEST];
    match fgetxattr(file, name, &mut *value) {
        Ok(length) => {
            value.truncate(length);
            Ok(Some(value))
        }
        Err(Errno::NODATA) => Ok(None),
        Err(error) => Err(error),
    }
}

fn value_is(file: &File, name: &CStr, wanted: &[u8]) -> bool {
    value(file, name).is_ok_and(|value| value.as_deref() == Some(wanted))
}
