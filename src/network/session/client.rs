//! The client library's two protocols behind one face. Everything above speaks in the terms of
//! MQTT 5; what 3.1.1 cannot carry (properties, reasons) is left out there.

use rumqttc::SubscribeFilter;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Publish};

/// Nothing more can be given to the library: the connection is over, or no room was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Full;

/// Takes requests of one connection.
#[derive(Debug, Clone)]
pub enum Client {
    /// MQTT 5.
    Five(rumqttc::v5::AsyncClient),
    /// MQTT 3.1.1.
    Older(rumqttc::AsyncClient),
}

impl Client {
    /// Gives a publish to the library.
    pub fn try_publish(&self, publish: Publish) -> Result<(), Full> {
        let topic = String::from_utf8_lossy(&publish.topic).into_owned();
        let Publish { qos, retain, payload, properties, .. } = publish;
        match (self, properties) {
            (Self::Five(client), Some(properties)) => {
                client.try_publish_with_properties(topic, qos, retain, payload, properties).map_err(|_| Full)
            }
            (Self::Five(client), None) => client.try_publish(topic, qos, retain, payload).map_err(|_| Full),
            (Self::Older(client), _) => {
                client.try_publish(topic, older(qos), retain, payload).map_err(|_| Full)
            }
        }
    }

    /// Subscribes.
    pub fn try_subscribe_many(&self, filters: Vec<Filter>) -> Result<(), Full> {
        match self {
            Self::Five(client) => client.try_subscribe_many(filters).map_err(|_| Full),
            Self::Older(client) => {
                let filters = filters.into_iter().map(|f| SubscribeFilter::new(f.path, older(f.qos)));
                client.try_subscribe_many(filters).map_err(|_| Full)
            }
        }
    }

    /// Acknowledges a publish to the broker.
    pub fn try_ack(&self, publish: &Publish) -> Result<(), Full> {
        match self {
            Self::Five(client) => client.try_ack(publish).map_err(|_| Full),
            Self::Older(client) => {
                let mut same = rumqttc::Publish::new("", older(publish.qos), Vec::new());
                same.pkid = publish.pkid;
                client.try_ack(&same).map_err(|_| Full)
            }
        }
    }

    /// Ends the connection in good order.
    pub fn try_disconnect(&self) -> Result<(), Full> {
        match self {
            Self::Five(client) => client.try_disconnect().map_err(|_| Full),
            Self::Older(client) => client.try_disconnect().map_err(|_| Full),
        }
    }
}

/// The same quality of service in the other protocol's type.
pub(super) const fn older(qos: QoS) -> rumqttc::QoS {
    match qos {
        QoS::AtMostOnce => rumqttc::QoS::AtMostOnce,
        QoS::AtLeastOnce => rumqttc::QoS::AtLeastOnce,
        QoS::ExactlyOnce => rumqttc::QoS::ExactlyOnce,
    }
}
