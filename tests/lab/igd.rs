//! A router that says what it is told to, by NAT-PMP and as UPnP IGD: instead of miniupnpd, which never tells a private address.

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, UdpSocket};
use std::sync::{Arc, Mutex};
use std::thread;

use crate::net::Lab;
use crate::plan::{GATEWAY, Host};

/// Where searches go (UPnP Device Architecture 1.0, section 1.2.2).
const GROUP: Ipv4Addr = Ipv4Addr::new(239, 255, 255, 250);

const DEVICE: &str = "<root><service><serviceType>urn:schemas-upnp-org:service:WANIPConnection:1</serviceType>\
                      <controlURL>/ip</controlURL></service></root>";

impl Lab {
    /// Answers the home's questions for the external address by NAT-PMP and as IGD with what is in the value returned, at
    /// first `address`, until the scenario ends. Without an address there, it is silent.
    pub(crate) fn router_says(&self, address: Ipv4Addr) -> Arc<Mutex<Option<Ipv4Addr>>> {
        let (says, _) = self.natpmp_says(address);
        let (search, device) = self.within(Host::Router, || {
            let search = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 1900)).unwrap();
            search.join_multicast_v4(&GROUP, &GATEWAY).unwrap();
            (search, TcpListener::bind((GATEWAY, 0)).unwrap())
        });
        let at = device.local_addr().unwrap();
        let told = Arc::clone(&says);
        thread::spawn(move || {
            let mut question = [0; 1500];
            while let Ok((length, from)) = search.recv_from(&mut question) {
                if told.lock().unwrap().is_some() && question[..length].starts_with(b"M-SEARCH ") {
                    let answer = format!(
                        "HTTP/1.1 200 OK\r\nST: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n\
                         LOCATION: http://{at}/root.xml\r\n\r\n"
                    );
                    search.send_to(answer.as_bytes(), from).unwrap();
                }
            }
        });
        let told = Arc::clone(&says);
        thread::spawn(move || {
            while let Ok((mut stream, _)) = device.accept() {
                let (mut head, mut octet) = (Vec::new(), [0]);
                while !head.ends_with(b"\r\n\r\n") && stream.read(&mut octet).is_ok_and(|count| count == 1) {
                    head.extend(octet);
                }
                let Some(address) = *told.lock().unwrap() else { continue };
                let body = match head.starts_with(b"GET ") {
                    true => DEVICE.to_owned(),
                    false => format!(
                        "<Envelope><Body><GetExternalIPAddressResponse><NewExternalIPAddress>{address}\
                         </NewExternalIPAddress></GetExternalIPAddressResponse></Body></Envelope>"
                    ),
                };
                // Who does not read it is not answered.
                let _ = write!(
                    stream,
                    "HTTP/1.1 200 OK\r\nConnection: close\r\nContent-Length: {}\r\n\r\n{body}",
                    body.len()
                );
                // A body of the call that was not read would reset the connection.
                let _ = stream.shutdown(std::net::Shutdown::Write);
                let _ = stream.read_to_end(&mut Vec::new());
            }
        });
        says
    }
}
