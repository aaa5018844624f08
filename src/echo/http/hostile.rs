//! What must hold of any head of a request.

use super::{Request, port_of};

/// A request's head, with and without its end.
pub fn request_head(head: &[u8]) -> bool {
    let ended = [head, b"\r\n\r\n"].concat();
    let read = [head, &ended].map(|head| {
        let Ok(request) = Request::read(head) else { return false };
        assert!(!request.path.contains('?') && !request.path.contains(|c: char| c.is_ascii_whitespace()));
        if let Some(port) = port_of(&request) {
            let digits = request.query.as_deref().and_then(|query| query.strip_prefix("port="));
            assert!(digits.is_some_and(|digits| digits.trim_start_matches('0') == port.to_string()));
        }
        true
    });
    read.contains(&true)
}
