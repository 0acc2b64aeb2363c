//! What is asked of a connection. Everything above speaks in the terms of MQTT 5; what 3.1.1 cannot
//! carry (properties, reasons) is left out where the packet is written.

use rumqttc::v5::mqttbytes::v5::{Filter, Publish};
use tokio::sync::mpsc;

/// Nothing more can be given: the connection is over, or no room was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Full;

/// One thing to be sent.
#[derive(Debug)]
pub(super) enum Request {
    /// A message.
    Publish(Publish),
    /// Filters.
    Subscribe(Vec<Filter>),
    /// The acknowledgement of the message with this packet id.
    Ack(u16),
    /// Goodbye.
    Disconnect,
}

/// Takes requests of one connection. What is given in one go is written in one go.
#[derive(Debug, Clone)]
pub struct Client(mpsc::Sender<Request>);

impl Client {
    pub(super) fn new(requests: mpsc::Sender<Request>) -> Self {
        Self(requests)
    }

    /// Publishes; the packet id is told when it is given.
    pub fn try_publish(&self, publish: Publish) -> Result<(), Full> {
        self.ask(Request::Publish(publish))
    }

    /// Subscribes.
    pub fn try_subscribe_many(&self, filters: Vec<Filter>) -> Result<(), Full> {
        self.ask(Request::Subscribe(filters))
    }

    /// Acknowledges a publish to the broker. One that wants no acknowledgement gets none.
    pub fn try_ack(&self, publish: &Publish) -> Result<(), Full> {
        if publish.pkid == 0 { Ok(()) } else { self.ask(Request::Ack(publish.pkid)) }
    }

    /// Ends the connection in good order.
    pub fn try_disconnect(&self) -> Result<(), Full> {
        self.ask(Request::Disconnect)
    }

    fn ask(&self, request: Request) -> Result<(), Full> {
        self.0.try_send(request).map_err(|_| Full)
    }
}
