//! An endpoint on loopback that notes what it is asked and answers as a test says, also badly.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// Nothing in these tests waits longer for the other side.
const PATIENCE: Duration = Duration::from_secs(20);

/// What was asked.
#[derive(Debug, Clone)]
pub(super) struct Request {
    /// First line.
    pub(super) line: String,
    headers: Vec<(String, String)>,
    pub(super) body: Vec<u8>,
}

impl Request {
    pub(super) fn header(&self, name: &str) -> Option<&str> {
        let found = self.headers.iter().find(|(known, _)| known == name);
        found.map(|(_, value)| value.as_str())
    }
}

pub(super) struct Endpoint {
    pub(super) address: SocketAddr,
    seen: Arc<Mutex<Vec<Request>>>,
    closed: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

type Answer = dyn Fn(&Request, &mut dyn Write) + Send + Sync;

impl Endpoint {
    /// Answers each request by `answer`, one after the other.
    pub(super) fn open(answer: impl Fn(&Request, &mut dyn Write) + Send + Sync + 'static) -> Self {
        Self::serve(None, Box::new(answer))
    }

    /// The same behind TLS with the certificate of the tests.
    pub(super) fn open_tls(
        answer: impl Fn(&Request, &mut dyn Write) + Send + Sync + 'static,
    ) -> Self {
        Self::serve(Some(Arc::new(tls())), Box::new(answer))
    }

    /// Answers everything with `status`.
    pub(super) fn answering(status: &'static str) -> Self {
        Self::open(move |_, out| answer(out, status, ""))
    }

    fn serve(tls: Option<Arc<rustls::ServerConfig>>, answer: Box<Answer>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let closed = Arc::new(AtomicBool::new(false));
        let (noted, ended) = (Arc::clone(&seen), Arc::clone(&closed));
        let thread = std::thread::spawn(move || {
            for stream in listener.incoming() {
                if ended.load(Ordering::SeqCst) {
                    break;
                }
                let stream = stream.unwrap();
                stream.set_read_timeout(Some(PATIENCE)).unwrap();
                stream.set_write_timeout(Some(PATIENCE)).unwrap();
                match &tls {
                    None => converse(stream, &noted, &*answer),
                    Some(tls) => {
                        let session = rustls::ServerConnection::new(Arc::clone(tls)).unwrap();
                        let mut stream = rustls::StreamOwned::new(session, stream);
                        converse(&mut stream, &noted, &*answer);
                        stream.conn.send_close_notify();
                        drop(stream.flush());
                    }
                }
            }
        });
        Self {
            address,
            seen,
            closed,
            thread: Some(thread),
        }
    }

    pub(super) fn url(&self) -> String {
        format!("http://{}/hook", self.address)
    }

    pub(super) fn seen(&self) -> Vec<Request> {
        self.seen.lock().unwrap().clone()
    }
}

impl Drop for Endpoint {
    fn drop(&mut self) {
        self.closed.store(true, Ordering::SeqCst);
        drop(TcpStream::connect(self.address));
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn tls() -> rustls::ServerConfig {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/tls");
    let chain = CertificateDer::pem_file_iter(format!("{folder}/server.pem")).unwrap();
    let chain = chain.map(|certificate| certificate.unwrap()).collect();
    let key = PrivateKeyDer::from_pem_file(format!("{folder}/server.key")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .unwrap()
}

fn converse(mut stream: impl Read + Write, noted: &Mutex<Vec<Request>>, answer: &Answer) {
    // A client that breaks off is no trouble of the endpoint's.
    if let Some(request) = read_request(&mut stream) {
        noted.lock().unwrap().push(request.clone());
        answer(&request, &mut stream);
    }
}

fn read_request(stream: &mut impl Read) -> Option<Request> {
    let mut reader = BufReader::new(stream);
    let mut lines = Vec::new();
    loop {
        let mut line = String::new();
        reader
            .read_line(&mut line)
            .ok()
            .filter(|count| *count > 0)?;
        let line = line.trim_end().to_owned();
        if line.is_empty() {
            break;
        }
        lines.push(line);
    }
    let headers: Vec<(String, String)> = lines[1..]
        .iter()
        .filter_map(|line| line.split_once(": "))
        .map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()))
        .collect();
    let length = headers.iter().find(|(name, _)| name == "content-length");
    let length = length.map_or(0, |(_, value)| value.parse().unwrap());
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    Some(Request {
        line: lines[0].clone(),
        headers,
        body,
    })
}

/// A whole answer; `more` are further header lines, each with its end of line.
pub(super) fn answer(out: &mut dyn Write, status: &str, more: &str) {
    let text =
        format!("HTTP/1.1 {status}\r\n{more}Content-Length: 2\r\nConnection: close\r\n\r\nok");
    drop(out.write_all(text.as_bytes()));
    drop(out.flush());
}
