#![no_main]

use fingerpost::hostile;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    hostile::zone_text(data);
});
