//! One battery of tests for all providers: what each of them must do at each kind of host, written once against the
//! trait. `host.rs` says what a host is, `cases.rs` and `trouble.rs` what is tested, `hosts/` has one file a kind of provider.
//!
//! What is told of the zone is held against another reader of it: dig, nsd-checkzone, or the file itself.
//!
//! A new kind of provider implements `Host` for the real place it is made for, and gets a line of `battery!` below.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod cases;
#[path = "../common/mod.rs"]
mod common;
#[path = "../common/config.rs"]
mod home;
mod host;
mod hosts;
mod trouble;
#[path = "../common/updater.rs"]
mod updater;

/// All cases on one host. A host that cannot do something says so, with the reason, in `Host::CANNOT`.
macro_rules! battery {
    ($($module:ident: $host:ty $(, $needs:literal)?;)*) => {
        $(battery!(@cases $module, $host, [$(#[ignore = $needs])?],
            cases: what_stands_is_read,
            cases: a_name_is_created,
            cases: a_name_is_replaced,
            cases: the_ttl_alone_is_changed,
            cases: all_else_is_kept,
            cases: a_member_of_a_shared_set_is_swapped,
            cases: what_was_not_read_is_not_overwritten,
            cases: all_of_a_plan_or_nothing,
            cases: a_cname_is_in_the_way,
            cases: names_of_all_kinds,
            cases: what_a_wildcard_answers_is_not_its_own,
            cases: ttls_at_the_edges,
            cases: a_hundred_records_at_once,
            cases: a_huge_set,
            trouble: a_wrong_key_is_refused,
            trouble: one_of_several_is_forbidden,
            trouble: an_outage_passes,
            trouble: a_slow_host_is_not_waited_for,
        );)*
    };
    (@cases $module:ident, $host:ty, $ignore:tt, $($room:ident: $case:ident,)*) => {
        mod $module {
            $(battery!(@one $ignore $host, $room, $case);)*
        }
    };
    (@one [$($ignore:tt)*] $host:ty, $room:ident, $case:ident) => {
        #[test]
        $($ignore)*
        fn $case() {
            crate::host::run(crate::$room::$case::<$host>());
        }
    };
}

battery! {
    bind: crate::hosts::rfc2136::Update<crate::common::named::Named>, "needs named: tests/all.sh runs it";
    knot: crate::hosts::rfc2136::Update<crate::common::knot::Knotd>, "needs knotd: tests/all.sh runs it";
    powerdns: crate::hosts::rfc2136::Update<crate::common::powerdns::PowerDns>, "needs pdns_server: tests/all.sh runs it";
    powerdns_api: crate::hosts::rest::Hosted, "needs pdns_server: tests/all.sh runs it";
    nsd: crate::hosts::zonefile::Served, "needs nsd: tests/all.sh runs it";
    program: crate::hosts::program::Example, "needs jq: tests/all.sh runs it";
    record_api: crate::hosts::rest::Own<crate::hosts::rest::ByRecord>;
    rrset_api: crate::hosts::rest::Own<crate::hosts::rest::BySet>;
    yard_api: crate::hosts::rest::Own<crate::hosts::rest::InTheYard>;
    loft_api: crate::hosts::rest::Own<crate::hosts::rest::InTheLoft>;
}
