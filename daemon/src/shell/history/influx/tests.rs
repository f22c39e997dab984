//! The client before a server that answers, hangs, breaks off or sends elsewhere, as the test says.

use std::io::Read;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use flate2::read::GzDecoder;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::*;
use crate::shell::testing::history;

/// What a request brought.
#[derive(Clone, Debug, Default)]
struct Asked {
    head: String,
    lines: String,
}

/// What the server does with a request.
#[derive(Clone)]
enum Act {
    /// Status line and headers after it, and a body.
    Say(&'static str, &'static str),
    Hang,
    /// Closes the connection when it has read all.
    Close,
    /// Answers before the body has come, and closes.
    CloseEarly(&'static str),
}

struct Double {
    address: SocketAddr,
    asked: Arc<Mutex<Vec<Asked>>>,
}

impl Double {
    /// Does one thing for each request, the last of them for all others.
    async fn start(acts: Vec<Act>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let asked: Arc<Mutex<Vec<Asked>>> = Arc::default();
        let (seen, mut served) = (asked.clone(), 0);
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let act = acts[served.min(acts.len() - 1)].clone();
                served += 1;
                tokio::spawn(serve(stream, act, seen.clone()));
            }
        });
        Self { address, asked }
    }

    fn client(&self) -> Influx {
        let url = format!("http://{}", self.address);
        let token = Some("open-sesame".to_owned());
        Influx::new(History { url, token, connect_timeout_ms: 1_000, timeout_ms: 1_500, ..history() })
    }

    fn asked(&self) -> Vec<Asked> {
        self.asked.lock().unwrap().clone()
    }
}

async fn serve(mut stream: TcpStream, act: Act, asked: Arc<Mutex<Vec<Asked>>>) {
    let mut bytes = Vec::new();
    let head = loop {
        if let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break end + 4;
        }
        if stream.read_buf(&mut bytes).await.unwrap_or(0) == 0 {
            return;
        }
    };
    let text = String::from_utf8(bytes[..head].to_vec()).unwrap();
    if let Act::CloseEarly(status) = act {
        let _ = stream.write_all(format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\n\r\n").as_bytes()).await;
        return;
    }
    let length = text.lines().find_map(|line| line.to_lowercase().strip_prefix("content-length: ")?.parse().ok());
    while bytes.len() - head < length.unwrap_or(0) {
        if stream.read_buf(&mut bytes).await.unwrap_or(0) == 0 {
            return;
        }
    }
    let mut lines = String::new();
    match text.to_lowercase().contains("content-encoding: gzip") {
        true => GzDecoder::new(&bytes[head..]).read_to_string(&mut lines).unwrap(),
        false => Read::read_to_string(&mut &bytes[head..], &mut lines).unwrap(),
    };
    asked.lock().unwrap().push(Asked { head: text, lines });
    match act {
        Act::Say(head, body) => {
            let answer =
                format!("HTTP/1.1 {head}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}", body.len());
            let _ = stream.write_all(answer.as_bytes()).await;
        }
        // Until the client has had enough.
        Act::Hang => while stream.read(&mut [0; 64]).await.unwrap_or(0) > 0 {},
        Act::Close | Act::CloseEarly(_) => {}
    }
}

#[tokio::test]
async fn a_request_names_organization_bucket_precision_and_token_and_packs_what_is_long() {
    let double = Double::start(vec![Act::Say("204 No Content", "")]).await;
    let mut client = double.client();
    let long: String = (0..100).map(|line| format!("reading,site=oak v={line} {line}\n")).collect();
    assert_eq!(client.write("weather", b"reading v=1 1\n").await, Answer::Stored);
    assert_eq!(client.write("wide bucket&", long.as_bytes()).await, Answer::Stored);
    let asked = double.asked();
    assert!(asked[0].head.starts_with("POST /api/v2/write?bucket=weather&org=garden&precision=ms HTTP/1.1\r\n"));
    assert!(asked[0].head.to_lowercase().contains("authorization: token open-sesame\r\n"), "{}", asked[0].head);
    assert!(!asked[0].head.to_lowercase().contains("gzip"), "{}", asked[0].head);
    assert_eq!(asked[0].lines, "reading v=1 1\n");
    assert!(asked[1].head.contains("bucket=wide+bucket%26&"), "{}", asked[1].head);
    assert!(asked[1].head.to_lowercase().contains("content-encoding: gzip"), "{}", asked[1].head);
    assert_eq!(asked[1].lines, long);
}

#[tokio::test]
async fn only_204_is_stored_and_every_other_answer_is_what_it_is() {
    let check = async |act: Act, expected: &str| {
        let double = Double::start(vec![act]).await;
        let answer = format!("{:?}", double.client().write("weather", b"reading v=1 1\n").await);
        assert!(answer.starts_with(expected), "{answer}");
        assert!(!answer.contains("sesame"), "{answer}");
    };
    let say = Act::Say;
    check(say("204 No Content", ""), "Stored").await;
    check(say("200 OK", "hello"), "Misconfigured(\"it answered 200 OK: hello\")").await;
    check(say("400 Bad Request", "{\"message\":\"unable to parse\"}"), "Refused").await;
    check(say("401 Unauthorized", "no such token open-sesame"), "Misconfigured(\"it answered 401 Unauthorized").await;
    check(say("403 Forbidden", ""), "Misconfigured").await;
    check(say("404 Not Found", "bucket \"weather\" not found"), "Misconfigured").await;
    check(say("413 Payload Too Large", ""), "TooLarge").await;
    check(say("422 Unprocessable Entity", "partial write: dropped=4"), "Partly { lines: 4").await;
    check(say("500 Internal Server Error", "partial write: dropped=2"), "Partly { lines: 2").await;
    check(say("429 Too Many Requests\r\nretry-after: 30", ""), "Busy").await;
    check(say("503 Service Unavailable", "\u{1b}[31mlate\r\n"), "Busy(\"it answered 503 Service Unavailable: [31mlate")
        .await;
    check(Act::Hang, "Busy(\"it did not answer in time\")").await;
    check(Act::Close, "Broken").await;
}

#[tokio::test]
async fn a_redirect_is_not_followed() {
    let elsewhere = Double::start(vec![Act::Say("204 No Content", "")]).await;
    let to: &'static str = Box::leak(format!("302 Found\r\nlocation: http://{}/", elsewhere.address).into_boxed_str());
    let double = Double::start(vec![Act::Say(to, "")]).await;
    let answer = double.client().write("weather", b"reading v=1 1\n").await;
    assert!(matches!(&answer, Answer::Misconfigured(text) if text.contains("302")), "{answer:?}");
    assert_eq!((elsewhere.asked().len(), double.asked().len()), (0, 1));
}

#[tokio::test]
async fn a_server_that_answers_before_it_has_read_all_is_too_large_or_broken_never_stored() {
    let double = Double::start(vec![Act::CloseEarly("413 Payload Too Large")]).await;
    let long = "reading v=1 1\n".repeat(60_000);
    let mut client = Influx::new(History { gzip: false, ..double.client().history });
    let answer = client.write("weather", long.as_bytes()).await;
    assert!(matches!(answer, Answer::TooLarge(_) | Answer::Broken(_)), "{answer:?}");
}

#[tokio::test]
async fn nobody_at_the_other_end_is_for_later_and_a_token_file_that_is_gone_is_for_a_person() {
    let double = Double::start(vec![Act::Say("204 No Content", "")]).await;
    let free = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let mut nobody = Influx::new(History { url: format!("http://{free}"), ..double.client().history });
    let answer = nobody.write("weather", b"reading v=1 1\n").await;
    assert!(matches!(&answer, Answer::Busy(text) if text.starts_with("it cannot be reached")), "{answer:?}");

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.token");
    let mut client = Influx::new(History { token_file: Some(path.clone()), ..double.client().history });
    let answer = client.write("weather", b"reading v=1 1\n").await;
    assert!(matches!(&answer, Answer::Misconfigured(text) if text.contains("history.token_file")), "{answer:?}");
    // What is put there later counts, without a restart.
    std::fs::write(&path, "tortoise\n").unwrap();
    client.renew();
    assert_eq!(client.write("weather", b"reading v=1 1\n").await, Answer::Stored);
    assert!(double.asked()[0].head.contains("Token tortoise"));
}

#[test]
fn a_status_means_stored_refused_misconfigured_or_later() {
    let check = |status: u16, text: &str, expected: &str| {
        let answer = meaning(status, "Reason", text);
        assert!(format!("{answer:?}").starts_with(expected), "{status}: {answer:?}");
    };
    check(400, "unable to parse 'x'", "Refused(\"it answered 400 Reason: unable to parse 'x'");
    check(422, "partial write: field type conflict dropped=3", "Partly { lines: 3");
    check(422, "failure", "Partly { lines: 1");
    check(500, "partial write: points beyond retention policy dropped=12", "Partly { lines: 12");
    check(500, "", "Busy(\"it answered 500 Reason\"");
    for status in [408, 429, 502, 503, 504] {
        check(status, "", "Busy");
    }
    for status in [200, 201, 301, 302, 307, 308, 401, 403, 404, 405, 418] {
        check(status, "", "Misconfigured");
    }
}

#[test]
fn what_a_server_says_is_short_of_one_line_and_without_the_token() {
    assert_eq!(short("bad\r\ntoken  open-sesame\u{7}", Some("open-sesame")), "bad token …");
    assert_eq!(short(&"ä".repeat(400), None), format!("{}…", "ä".repeat(300)));
}
