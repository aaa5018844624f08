//! Whom the doors let in: the rows of the firewall, and an edge by the name of its `[[edge]]`.

use std::fs;
use std::time::SystemTime;

use fingerpost::allowlist;
use fingerpost::clock::Timestamp;
use fingerpost::config::load::{Sources, load};
use fingerpost::exposure::{Check, Finding, Grade};

use crate::{NAME, home, of, run, see};

#[test]
fn the_firewall_is_compared_with_the_ranges_of_the_edge_in_front() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        let now = Timestamp::from(SystemTime::now());
        let rest = format!(
            "[[edge]]\nname = \"weir\"\nsources = [{{ file = \"ranges.txt\" }}]\n\
             [allowlist.firewall]\nkind = \"lines\"\nfile = \"firewall.txt\"\n\
             [watch]\naccept_special = [\"198.51.100.0/24\", \"203.0.113.0/24\"]\n\
             [[exposure.service]]\nname = \"{NAME}\"\nedge = \"weir\"\norigin = \"127.0.0.1:9\"\n"
        );
        let home = home(&["203.0.113.77"]);
        fs::write(at("ranges.txt"), "198.51.100.64/28\n198.51.100.96/28\n").unwrap();
        fs::write(at("firewall.txt"), "198.51.100.64/28\n198.51.100.96/28\n").unwrap();
        let grades = |found: &[Finding]| [Check::Masked, Check::Allowlist].map(|check| of(found, check).grade);
        let look = async || see(dir.path(), &rest, &home, now).await;

        // Nothing has been fetched yet: neither can be told, and both say what to do.
        let found = look().await;
        assert_eq!(grades(&found), [Grade::Unknown; 2]);
        for check in [Check::Masked, Check::Allowlist] {
            let seen = &of(&found, check).seen;
            assert_eq!(seen, "no ranges of the edge weir are known yet; run `fingerpost allowlist fetch`");
        }
        let loaded = load(&Sources { file: at("fingerpost.toml"), ..Sources::default() }).unwrap();
        allowlist::fetch(&loaded.config, false, now).await.unwrap();
        let found = look().await;
        let row = of(&found, Check::Allowlist);
        assert_eq!((row.about.as_str(), row.grade), (NAME, Grade::Good));
        assert_eq!(row.seen, "port 443: exactly those who should get in do");
        // One too many, and one missing.
        fs::write(at("firewall.txt"), "198.51.100.64/28\n203.0.113.9\n").unwrap();
        let found = look().await;
        let row = of(&found, Check::Allowlist);
        assert_eq!(row.grade, Grade::Amiss);
        assert_eq!(
            row.seen,
            "port 443: IPv4: 1 too many get in, 16 missing; too many: 203.0.113.9/32 by listed; missing: 198.51.100.96/28"
        );
        // Nobody has configured that a router is asked.
        assert!(found.iter().all(|finding| finding.check != Check::Forwarding));
    });
}
