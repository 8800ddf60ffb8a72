//! Every channel by which people are told: the only place that names them all.

use std::sync::Arc;

use jiff::Timestamp;

use super::channel::{AnswerLinks, Failure, MessageChannel};
use super::mail::{Mailer, MailerError};
use super::message_file::MessageFiles;
use super::webhook::{WebhookError, Webhooks};
use crate::garden::plan;
use crate::settings::ChannelSettings;
use crate::telling::Message;

/// Brings each message by the channel of its address.
pub struct Channels {
    mail: Mailer,
    webhooks: Webhooks,
    files: MessageFiles,
}

/// Why a channel cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ChannelsError {
    #[error(transparent)]
    Mail(#[from] MailerError),
    #[error(transparent)]
    Webhook(#[from] WebhookError),
}

impl Channels {
    /// `links` are the addresses at which alarms are answered, `page` is where people
    /// find the page, and `now` is the clock.
    ///
    /// # Errors
    ///
    /// When a channel cannot be set up.
    pub fn new(
        settings: &ChannelSettings,
        links: Option<Arc<dyn AnswerLinks>>,
        page: Option<String>,
        now: fn() -> Timestamp,
    ) -> Result<Self, ChannelsError> {
        Ok(Self {
            mail: Mailer::new(settings.mail.as_ref(), links.clone(), page)?,
            webhooks: Webhooks::new(&settings.webhooks, now)?.with_links(links),
            files: MessageFiles::new(&settings.files),
        })
    }
}

impl MessageChannel for Channels {
    async fn send(&self, message: &Message) -> Result<(), Failure> {
        match message.address.channel {
            plan::Channel::Email => self.mail.send(message).await,
            plan::Channel::Webhook => self.webhooks.send(message).await,
            plan::Channel::MessageFile => self.files.send(message).await,
        }
    }
}
