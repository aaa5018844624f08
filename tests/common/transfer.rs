//! A server that transfers a zone of tiny records.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;

/// Answers one question for a transfer with so many bytes of A records, sixteen of them each.
pub(crate) fn serve(mut stream: &TcpStream, bytes: usize) {
    const EACH: usize = 4000;
    let mut length = [0; 2];
    stream.read_exact(&mut length).unwrap();
    let mut question = vec![0; usize::from(u16::from_be_bytes(length))];
    stream.read_exact(&mut question).unwrap();
    // A pointer to the name in the question (RFC 1035, section 4.1.4), type, class, TTL, length.
    let record = |rtype: u16, data: &[u8]| {
        let mut record = vec![0xc0, 12];
        record.extend(rtype.to_be_bytes());
        record.extend([0, 1, 0, 0, 1, 44]);
        record.extend((data.len() as u16).to_be_bytes());
        record.extend(data);
        record
    };
    let soa = record(6, &[&[0xc0, 12, 0xc0, 12][..], &[0, 0, 0, 1].repeat(5)].concat());
    let a = record(1, &[198, 51, 100, 7]).repeat(EACH);
    let count = (bytes / a.len()).max(1);
    for at in 0..count {
        let (is_first, is_last) = (at == 0, at + 1 == count);
        let mut message = question.clone();
        message[2] = 0x84;
        message[6..8].copy_from_slice(&((EACH + usize::from(is_first) + usize::from(is_last)) as u16).to_be_bytes());
        if is_first {
            message.extend(&soa);
        }
        message.extend(&a);
        if is_last {
            message.extend(&soa);
        }
        // The other end may have had enough.
        if stream.write_all(&[&(message.len() as u16).to_be_bytes()[..], &message].concat()).is_err() {
            return;
        }
    }
    let _ = stream.read(&mut length);
}
