//! What the data of each type is made of, held against dnspython's own classes.

use std::collections::{BTreeMap, BTreeSet};

use fingerpost::provider::Provider;
use fingerpost::provider::listing::{Part, ZoneRecord};

use super::{LONG, fs, provider, run};

/// A record of every class that dnspython has, made from its text; what its attributes hold; the types that have no sample.
///
/// Bytes are text where its own text has them in quotes, and in GPOS and the tag of CAA, which need none.
const SCRIPT: &str = r#"
import dns.name, dns.rdata, dns.rdataclass, dns.rdatatype, ipaddress, json
origin = dns.name.from_text('heronmill.example.')
SAMPLES = {
 'A': '203.0.113.77', 'NS': 'weir', 'CNAME': 'weir', 'SOA': 'weir keeper 1 2 3 4 5', 'WKS': '203.0.113.77 6 25',
 'PTR': 'weir', 'HINFO': '"mill one" "at weir"', 'MX': '10 Weir', 'TXT': '"one \\"two\\"" three "f\\195\\182ur"',
 'RP': 'keeper note', 'AFSDB': '1 weir', 'X25': '"311061700956"', 'ISDN': '"150862028003217" "004"', 'RT': '2 weir',
 'NSAP': '0x47.0005.80', 'NSAP-PTR': 'weir', 'PX': '10 weir gauge', 'GPOS': '-32.6882 116.8652 10.0',
 'AAAA': '2001:db8:5::77', 'LOC': '52 14 05 N 00 08 50 E 10m', 'SRV': '0 5 5060 weir',
 'NAPTR': '10 20 "u" "E2U+sip" "!^.*$!sip:mill@weir!" weir', 'KX': '1 weir', 'CERT': '1 2 3 AwEA', 'DNAME': 'weir',
 'APL': '1:203.0.113.0/24 !2:2001:db8:5::/48', 'DS': '1 8 2 ' + '00' * 32, 'SSHFP': '1 1 ' + '00' * 20,
 'IPSECKEY': ['10 1 2 203.0.113.77 AQNR', '10 2 2 2001:db8::1 AQNR', '10 3 2 weir AQNR', '10 0 2 . AQNR'],
 'RRSIG': 'A 8 2 300 20301124081431 20261124081431 1 heronmill.example. AwEA', 'NSEC': 'weir A AAAA',
 'DNSKEY': '257 3 8 AwEA', 'DHCID': 'AAIB', 'NSEC3': '1 0 1 ab 2vptu5timamqttgl4luu9kg21e0aor3s A',
 'NSEC3PARAM': '1 0 1 ab', 'TLSA': '3 1 1 ' + '00' * 32, 'SMIMEA': '3 1 1 ' + '00' * 32,
 'HIP': '2 200100107B1A74DF365639CC39F1D578 AwEAAbdx weir gauge', 'NINFO': '"mill" "weir"',
 'CDS': '1 8 2 ' + '00' * 32, 'CDNSKEY': '257 3 8 AwEA', 'OPENPGPKEY': 'AwEA', 'CSYNC': '1 3 A NS',
 'ZONEMD': '1 1 1 ' + '00' * 48, 'SVCB': '1 weir ipv4hint=203.0.113.77,203.0.113.9 port=53',
 'HTTPS': '1 . alpn=h2 ipv6hint=2001:db8:5::77', 'SPF': '"v=spf1" " -all"', 'NID': '10 0014:4fff:ff20:ee64',
 'L32': '10 203.0.113.77', 'L64': '10 2001:0db8:0005:0000', 'LP': '10 weir', 'EUI48': '00-00-5e-00-53-2a',
 'EUI64': '00-00-5e-ef-10-00-00-2a', 'URI': '10 1 "https://weir/"', 'CAA': '0 issue "ca.example"', 'AVC': '"mill"',
 'AMTRELAY': ['10 0 1 203.0.113.77', '10 1 2 2001:db8::1', '10 0 3 weir', '10 1 0 .'], 'DLV': '1 8 2 ' + '00' * 32,
}
# Not in zones; and the signer of a signature is the zone itself.
LEFT_OUT, ITSELF = {'OPT', 'TKEY', 'TSIG'}, {'signer'}

def told(rdata, attribute, value):
    if isinstance(value, dns.name.Name):
        if value != dns.name.root and attribute not in ITSELF:
            yield 'name ' + value.to_text(True).lower()
    elif isinstance(value, bytes):
        written = rdata.to_text()
        quoted = '"' + dns.rdata._escapify(value) + '"'
        if quoted in written or type(rdata).__name__ == 'GPOS' or attribute == 'tag':
            yield 'text ' + value.decode()
    elif isinstance(value, str):
        if attribute == 'locator64':
            yield 'range ' + str(ipaddress.ip_network(value + '::/64'))
        else:
            try: yield 'address ' + str(ipaddress.ip_address(value))
            except ValueError: pass
    elif isinstance(value, (tuple, list)):
        for each in value: yield from told(rdata, attribute, each)
    elif hasattr(value, 'prefix') and hasattr(value, 'negation'):
        yield 'range ' + str(ipaddress.ip_network('%s/%d' % (value.address, value.prefix)))
    elif hasattr(value, 'items'):
        for parameter in value.values():
            for address in getattr(parameter, 'addresses', ()): yield 'address ' + address
            for id in getattr(parameter, 'ids', ()): yield 'text ' + id.decode()

out, missing = [], []
for rtype in dns.rdatatype.RdataType:
    cls = dns.rdata.get_rdata_class(dns.rdataclass.IN, rtype)
    name = dns.rdatatype.to_text(rtype)
    if cls is dns.rdata.GenericRdata or name in LEFT_OUT: continue
    if name not in SAMPLES: missing.append(name); continue
    samples = SAMPLES[name]
    for sample in samples if isinstance(samples, list) else [samples]:
        rdata = dns.rdata.from_text(dns.rdataclass.IN, rtype, sample, origin, relativize=False)
        slots = [slot for base in type(rdata).__mro__ for slot in getattr(base, '__slots__', ()) if slot not in ('rdclass', 'rdtype', 'rdcomment')]
        holds = sorted({one for slot in slots for one in told(rdata, slot, getattr(rdata, slot))})
        wire = rdata.to_wire(origin=origin)
        out.append({'type': name, 'number': int(rtype), 'text': rdata.to_text(), 'own': sample, 'length': len(wire), 'hex': wire.hex(), 'holds': holds})
print(json.dumps({'records': out, 'missing': missing}))
"#;

#[derive(serde::Deserialize)]
struct Told {
    records: Vec<Sample>,
    missing: Vec<String>,
}

#[derive(serde::Deserialize)]
struct Sample {
    r#type: String,
    number: u16,
    text: String,
    own: String,
    length: usize,
    hex: String,
    holds: BTreeSet<String>,
}

fn holds(record: &ZoneRecord) -> BTreeSet<String> {
    let part = |part: &Part| match part {
        Part::Address(address) | Part::Hint(address) => vec![format!("address {address}")],
        Part::Range(range) => vec![format!("range {range}")],
        Part::Name(name) | Part::Mailbox(name) => vec![format!("name {name}")],
        Part::Text(text) => vec![format!("text {text}")],
        Part::Strings(strings) => strings.iter().map(|text| format!("text {text}")).collect(),
    };
    record.data.iter().flat_map(part).collect()
}

#[test]
#[ignore = "needs dnspython: tests/all.sh runs it"]
fn every_type_is_read_as_dnspython_reads_it() {
    let python = std::env::var("TESTS_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let output = std::process::Command::new(python).args(["-c", SCRIPT]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told: Told = serde_json::from_slice(&output.stdout).unwrap();
    // Each class of dnspython has a sample above.
    assert_eq!(told.missing, [""; 0]);
    assert!(told.records.len() > 55);
    let mut zone = "$TTL 300\n@ SOA ns1 keeper 7 1h 10m 4w 5m\n".to_owned();
    for (at, sample) in told.records.iter().enumerate() {
        let Sample { r#type, number, text, own, length, hex, .. } = sample;
        zone += &format!("text{at} {type} {text}\nown{at} {type} {own}\n");
        zone += &format!("wire{at} {type} \\# {length} {hex}\nnumber{at} TYPE{number} \\# {length} {hex}\n");
    }
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("zone");
    fs::write(&file, zone).unwrap();
    let records = run(provider(&file, &[], LONG).list()).unwrap();
    let by_owner: BTreeMap<&str, &ZoneRecord> = records.iter().map(|record| (record.name.as_str(), record)).collect();
    for (at, sample) in told.records.iter().enumerate() {
        for form in ["text", "own", "wire", "number"] {
            let record = by_owner[format!("{form}{at}.heronmill.example").as_str()];
            assert_eq!(record.rtype, sample.r#type, "{form}");
            assert_eq!(holds(record), sample.holds, "{} as {form}: {}", sample.r#type, sample.text);
        }
    }
}
