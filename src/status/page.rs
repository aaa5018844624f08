//! The status as a page. Pure.
use super::Status;
/// S
pub const STYLE: &str = "";
/// S
pub const SCRIPT: &str = "";
/// R
pub fn render(_status: &Status) -> String {
    String::new()
}
