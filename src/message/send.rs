//! Carries one letter to a person: by a webhook, by mail, by a program. Bounded in time and bytes; no redirect is followed,
//! for a secret may be in the URL or the headers.

use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderValue};

use super::outbox::Notification;
use crate::http;
use crate::process::{self, Job, NotEnded};
use crate::provider::rest::body::{Var, Vars};
use crate::settings::{Message, Way, Webhook};
use crate::text::root_cause;

/// Sends `letter`.
///
/// # Errors
/// Why it did not get through, without any secret.
pub(super) async fn send(message: &Message, letter: &Notification) -> Result<(), String> {
    match &message.way {
        Way::Webhook(webhook) => post(webhook, letter, message.timeout).await,
        Way::Mail { command, to, from } => {
            // A line of a header holds no line break (RFC 5322, section 2.2).
            let subject: String =
                letter.text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
            let subject: String = subject.chars().take(120).collect();
            let mail = format!(
                "From: {from}\r\nTo: {to}\r\nSubject: fingerpost: {}\r\nMIME-Version: 1.0\r\n\
                 Content-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: 8bit\r\n\
                 Auto-Submitted: auto-generated\r\n\r\n{}\r\n\r\n{}, at {}\r\n",
                encoded(&subject),
                letter.text.replace('\n', "\r\n"),
                letter.about.occasion().word(),
                letter.time
            );
            hand_over(command, mail.as_bytes(), message.timeout).await
        }
        Way::Program { command } => {
            let document = serde_json::json!({
                "event": letter.about.occasion().word(),
                "key": letter.about.to_string(),
                "over": letter.over,
                "text": letter.text,
                "time": letter.time.to_string(),
            });
            hand_over(command, format!("{document}\n").as_bytes(), message.timeout).await
        }
    }
}

/// An unstructured header in ASCII (RFC 2047, section 2), where it is not already.
fn encoded(text: &str) -> String {
    if text.is_ascii() {
        return text.to_owned();
    }
    // An encoded word has 75 characters at most; 45 bytes make 60.
    let mut words = vec![String::new()];
    for letter in text.chars() {
        if words.last().is_none_or(|word| word.len() + letter.len_utf8() > 42) {
            words.push(String::new());
        }
        if let Some(word) = words.last_mut() {
            word.push(letter);
        }
    }
    let word = |word: &String| format!("=?utf-8?B?{}?=", data_encoding::BASE64.encode(word.as_bytes()));
    words.iter().filter(|word| !word.is_empty()).map(word).collect::<Vec<_>>().join("\r\n ")
}

async fn post(webhook: &Webhook, letter: &Notification, timeout: Duration) -> Result<(), String> {
    let Webhook { url, origin, method, headers, body } = webhook;
    let client = http::build(http::client(true).timeout(timeout)).await.map_err(|error| root_cause(&error))?;
    let url = String::from_utf8_lossy(url.expose()).into_owned();
    let vars = Vars::default()
        .with("event", Var::text(letter.about.occasion().word()))
        .with("key", Var::text(letter.about.to_string()))
        .with("over", Var::plain(letter.over))
        .with("text", Var::text(&letter.text))
        .with("time", Var::text(letter.time.to_string()));
    let mut headers = headers.clone();
    headers.entry(CONTENT_TYPE).or_insert(HeaderValue::from_static("application/json"));
    let request = client.request(method.clone(), url).headers(headers).body(body.render(&vars));
    // reqwest's errors may hold the URL, and with it a secret.
    let answer = request.send().await.map_err(|error| format!("{origin}: {}", root_cause(&error.without_url())))?;
    match answer.status() {
        status if status.is_success() => Ok(()),
        status => Err(format!("{origin}: it answers with status {}", status.as_u16())),
    }
}

async fn hand_over(words: &[String], input: &[u8], limit: Duration) -> Result<(), String> {
    let Some((program, arguments)) = words.split_first() else { return Err("no program is named".to_owned()) };
    let environment = process::kept(&["PATH", "HOME"]);
    let job = Job { program, arguments, environment, directory: None, input: Some(input), most: 0, limit };
    match process::run(job).await {
        Ok(ended) if ended.status.success() => Ok(()),
        Ok(ended) => Err(format!("{program} failed ({}): {}", ended.status, ended.said.told(&[]))),
        Err(NotEnded::Start(error) | NotEnded::Wait(error)) => {
            Err(format!("{program} cannot be run: {}", root_cause(&error)))
        }
        Err(NotEnded::Late(_)) => Err(format!("{program} did not end within {} seconds", limit.as_secs())),
        Err(NotEnded::Long) => Err(format!("{program} says too much")),
    }
}

#[cfg(test)]
mod tests;
