//! The lab leaves nothing behind, however it ends, and several go side by side.
