//! By what the ledger and the state know a record and where it is written. In the state file each is one text; what another
//! version has written there is kept as it is.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::name::DnsName;
use crate::record::{RecordId, RecordType};

/// A record at a provider. In the state file `home gauge.heronmill.example A`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum RecordKey {
    /// One of a name and type that can be configured.
    Of {
        /// The provider's name.
        provider: String,
        /// The name and type.
        record: RecordId,
    },
    /// Of a type that another version knows, say, by its text.
    Other(String),
}

/// The key of the record of `name` and `rtype` at `provider`.
pub fn record_key(provider: &str, name: &DnsName, rtype: RecordType) -> RecordKey {
    RecordKey::Of { provider: provider.to_owned(), record: RecordId { name: name.clone(), rtype } }
}

/// What `limits.daily` counts by: where is written, and in which zone. It stays when a provider's table gets another name,
/// and two tables with the same place share it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The zone.
    pub zone: DnsName,
    /// What is written to, in words.
    pub target: String,
}

/// The place of `zone` at `target`.
pub fn place(target: &str, zone: &DnsName) -> Place {
    Place { zone: zone.clone(), target: target.to_owned() }
}

/// Whose writes are counted together. In the state file `heronmill.example at ns1.heronmill.example:53`, or a provider's
/// name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub(super) enum Account {
    /// Those to a place.
    Place(Arc<Place>),
    /// Those of a provider whose place is not known. No provider's name has a blank in it.
    Provider(String),
}

impl fmt::Display for RecordKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Of { provider, record } => write!(f, "{provider} {record}"),
            Self::Other(text) => f.write_str(text),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} at {}", self.zone, self.target)
    }
}

impl From<RecordKey> for String {
    fn from(key: RecordKey) -> Self {
        key.to_string()
    }
}

impl From<String> for RecordKey {
    fn from(text: String) -> Self {
        let read = |text: &str| {
            let (provider, record) = text.split_once(' ')?;
            Some(Self::Of { provider: provider.to_owned(), record: RecordId::by_text(record)? })
        };
        read(&text).unwrap_or(Self::Other(text))
    }
}

impl From<Account> for String {
    fn from(account: Account) -> Self {
        match account {
            Account::Place(place) => place.to_string(),
            Account::Provider(name) => name,
        }
    }
}

impl From<String> for Account {
    fn from(text: String) -> Self {
        let read = |text: &str| {
            let (zone, target) = text.split_once(" at ")?;
            Some(Arc::new(place(target, &DnsName::by_text(zone)?)))
        };
        read(&text).map_or_else(|| Self::Provider(text), Self::Place)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn each_has_the_text_that_a_state_file_has() {
        let name = DnsName::parse("gauge.heronmill.example").unwrap();
        let key = record_key("home", &name, RecordType::Aaaa);
        assert_eq!(key.to_string(), "home gauge.heronmill.example AAAA");
        assert_eq!(RecordKey::from(key.to_string()), key);
        for text in ["", "home", "home gauge", "home gauge.heronmill.example HTTPS", "home Gauge.heronmill.example A"] {
            assert_eq!(RecordKey::from(text.to_owned()), RecordKey::Other(text.to_owned()));
        }
        let place = place("the file /var/zone at home", &name);
        let account = Account::Place(Arc::new(place.clone()));
        assert_eq!(String::from(account.clone()), "gauge.heronmill.example at the file /var/zone at home");
        assert_eq!(Account::from(place.to_string()), account);
        assert_eq!(Account::from("home".to_owned()), Account::Provider("home".to_owned()));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(
            provider in "[a-z0-9-]{1,64}", name in "(\\*\\.)?[a-z0-9_-]{1,20}\\.[a-z0-9]{1,9}", target in "\\PC{0,20}", is_a: bool
        ) {
            let name = DnsName::parse(&name).unwrap();
            let key = record_key(&provider, &name, if is_a { RecordType::A } else { RecordType::Aaaa });
            prop_assert_eq!(RecordKey::from(key.to_string()), key);
            for account in [Account::Place(Arc::new(place(&target, &name))), Account::Provider(provider)] {
                prop_assert_eq!(Account::from(String::from(account.clone())), account);
            }
        }

        #[test]
        fn every_text_is_kept_as_it_is(text in "[a-zA-Z.* ]{0,20}( at |\\.example A|\\.example AAAA)?\\PC{0,5}") {
            prop_assert_eq!(RecordKey::from(text.clone()).to_string(), text.clone());
            prop_assert_eq!(String::from(Account::from(text.clone())), text);
        }

        /// The state file has them in this order.
        #[test]
        fn they_are_ordered_as_their_texts(keys in proptest::collection::vec(("[a-z0-9-]{1,3}", "[*a_-]{1,2}", any::<bool>()), 2)) {
            let key = |(provider, label, is_a): &(String, String, bool)| {
                let name = DnsName::parse(&format!("a{}.example", label.replace('*', ".b")));
                name.map(|name| record_key(provider, &name, if *is_a { RecordType::A } else { RecordType::Aaaa }))
            };
            if let [Ok(one), Ok(other)] = [key(&keys[0]), key(&keys[1])] {
                prop_assert_eq!(one.cmp(&other), one.to_string().cmp(&other.to_string()));
            }
        }
    }
}
