//! Chromium, driven by WebDriver (W3C Recommendation).
#![allow(dead_code, reason = "each test file uses a part of this")]

use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

use crate::common::free_port;
use crate::living::until;

/// A session with a browser of its own, which ends with this value.
pub(crate) struct Browser {
    driver: Child,
    session: String,
    client: reqwest::Client,
    runtime: tokio::runtime::Runtime,
}

impl Browser {
    pub(crate) fn start(arguments: &[&str]) -> Self {
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("this test needs chromedriver");
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = reqwest::Client::builder().no_proxy().timeout(Duration::from_secs(60)).build().unwrap();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let base = format!("http://127.0.0.1:{port}");
        let mut browser = Self { driver, session: base.clone(), client, runtime };
        until("chromedriver", || browser.try_call("GET", "/status", Value::Null).is_ok());
        let common = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-proxy-server"];
        let words = [&common[..], arguments].concat();
        let options = json!({ "args": words });
        let options = json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": options } } });
        let session = browser.call("POST", "/session", options);
        browser.session = format!("{base}/session/{}", session["sessionId"].as_str().unwrap());
        browser
    }

    fn try_call(&self, method: &str, path: &str, body: Value) -> Result<Value, String> {
        let url = format!("{}{path}", self.session);
        let request = match method {
            "GET" => self.client.get(url),
            "DELETE" => self.client.delete(url),
            _ => self.client.post(url).header("Content-Type", "application/json").body(body.to_string()),
        };
        let text = self.runtime.block_on(async { request.send().await?.text().await }).map_err(|e| e.to_string())?;
        let answer: Value = serde_json::from_str(&text).map_err(|error| error.to_string())?;
        match answer["value"]["error"].as_str() {
            Some(error) => Err(format!("{error}: {}", answer["value"]["message"])),
            None => Ok(answer["value"].clone()),
        }
    }

    pub(crate) fn call(&self, method: &str, path: &str, body: Value) -> Value {
        self.try_call(method, path, body).unwrap_or_else(|error| panic!("{path}: {error}"))
    }

    pub(crate) fn open(&self, url: &str) {
        self.call("POST", "/url", json!({ "url": url }));
    }

    /// What a script gives back.
    pub(crate) fn run(&self, script: &str) -> Value {
        self.call("POST", "/execute/sync", json!({ "script": script, "args": [] }))
    }

    pub(crate) fn resize(&self, width: u32, height: u32) {
        self.call("POST", "/window/rect", json!({ "width": width, "height": height }));
    }

    /// Shows pages as on this medium of CSS; empty for the screen.
    pub(crate) fn media(&self, media: &str) {
        let command = json!({ "cmd": "Emulation.setEmulatedMedia", "params": { "media": media } });
        self.call("POST", "/goog/cdp/execute", command);
    }

    /// Into `TESTS_SHOTS`, for whoever wants to look; nowhere without it.
    pub(crate) fn shoot(&self, name: &str) {
        let Some(dir) = std::env::var_os("TESTS_SHOTS") else { return };
        let image = self.call("GET", "/screenshot", Value::Null);
        let bytes = data_encoding::BASE64.decode(image.as_str().unwrap().as_bytes()).unwrap();
        fs::write(PathBuf::from(dir).join(name), bytes).unwrap();
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.try_call("DELETE", "", Value::Null);
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
