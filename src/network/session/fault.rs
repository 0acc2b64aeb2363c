//! Why a connection ended, and the same in words for people.

use super::Ending;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, DisconnectReasonCode};
use std::io;

/// Why a connection ended, or did not come to be.
#[derive(Debug)]
pub(super) enum Fault {
    /// Nothing answers at the address.
    Unreachable(io::Error),
    /// No encrypted connection.
    Untrusted(io::Error),
    /// No answer to the connect in time.
    NoAnswer,
    /// The broker does not let us in.
    Refused(ConnectReturnCode),
    /// The same in MQTT 3.1.1.
    RefusedByOlder(rumqttc::mqttbytes::v4::ConnectReturnCode),
    /// The broker says goodbye, and why.
    Goodbye(DisconnectReasonCode, Option<String>),
    /// The stream ended.
    Closed,
    /// The system ended it.
    Broken(io::Error),
    /// The broker did not say within the keepalive that it is there.
    Silent,
    /// What came is no packet that a broker sends.
    Malformed(String),
    /// A packet cannot be put into bytes.
    Unwritable(String),
}

impl Fault {
    /// What it is to whoever drives the connection, with what to do about it.
    pub(super) fn ending(&self, host: &str, port: u16) -> Ending {
        let broker = format!("the broker {host}:{port}");
        Ending::Lost(match self {
            Self::Goodbye(DisconnectReasonCode::SessionTakenOver, _) => return Ending::TakenOver,
            Self::Closed => {
                return Ending::Closed(format!("{broker} closed the connection without a reason"));
            }
            Self::Goodbye(reason, words) => {
                let said = words.as_ref().map(|said| format!(": {said}")).unwrap_or_default();
                format!("{broker} ended the connection ({reason:?}{said})")
            }
            Self::Unreachable(error) => {
                format!("{broker} cannot be reached: {error}. Check the host, the port and the cable")
            }
            Self::Untrusted(error) => super::tls::in_words(error, &broker),
            Self::NoAnswer => format!("{broker} did not answer the connect"),
            Self::Refused(code) => format!("{broker} refuses the connection: {}", refusal(*code)),
            Self::RefusedByOlder(code) => {
                format!("{broker} refuses the connection: {}", refusal_by_older(*code))
            }
            Self::Silent => format!("{broker} did not answer within the keepalive"),
            Self::Broken(error) => format!("the connection to {broker} failed: {error}"),
            Self::Malformed(why) => {
                format!("the connection to {broker} failed: what it sent is no MQTT: {why}")
            }
            Self::Unwritable(why) => format!("the connection to {broker} was given up: {why}"),
        })
    }
}

fn refusal(code: ConnectReturnCode) -> String {
    match code {
        ConnectReturnCode::BadUserNamePassword => "user or password is wrong; check the settings".into(),
        ConnectReturnCode::NotAuthorized => "this station is not allowed; check user and access list".into(),
        ConnectReturnCode::UnsupportedProtocolVersion | ConnectReturnCode::RefusedProtocolVersion => {
            "it does not speak MQTT 5, which the station needs to know that a document arrived; where there is no \
             other broker, `network.protocol = \"3.1.1\"` does without"
                .into()
        }
        ConnectReturnCode::ServerBusy | ConnectReturnCode::ServerUnavailable => "it is busy".into(),
        other => format!("{other:?}"),
    }
}

fn refusal_by_older(code: rumqttc::mqttbytes::v4::ConnectReturnCode) -> String {
    use rumqttc::mqttbytes::v4::ConnectReturnCode as Code;
    match code {
        Code::BadUserNamePassword => "user or password is wrong; check the settings".into(),
        Code::NotAuthorized => "this station is not allowed; check user and access list".into(),
        other => format!("{other:?}"),
    }
}
