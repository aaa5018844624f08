use super::*;

#[tokio::test]
async fn an_interface_that_is_not_there_is_told_with_those_that_are() {
    let Err(Silence::Interface(Bare::NoSuchInterface { name, known })) = ask("eht0", Family::Ipv4, &[]).await else {
        panic!()
    };
    assert_eq!(name, "eht0");
    assert!(known.contains(&"lo".to_owned()), "{known:?}");
    let Err(Silence::Interface(Bare::NoneLeft { excluded, .. })) = ask("lo", Family::Ipv4, &[]).await else { panic!() };
    assert!(excluded.iter().any(|(address, _)| *address == IpAddr::from([127, 0, 0, 1])));
    assert_eq!(ask("lo", Family::Ipv4, &["127.0.0.0/8".parse().unwrap()]).await, Ok(IpAddr::from([127, 0, 0, 1])));
}
