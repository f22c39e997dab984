//! Sets the stage, plays slot by slot, and clears up.

use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Packet, QoS};
use tokio::sync::oneshot;

use crate::config;
use crate::engine::stamp::{DAY, MINUTE, Stamp};
use crate::shell::clock::{Clock, SystemClock};
use crate::shell::mqtt::BrokerSettings;
use crate::shell::run::{self, RunSettings};

use super::account::{Account, Entry};
use super::broker::Broker;
use super::folder::Folder;
use super::lockstep::{Lockstep, Publication};
use super::page::Page;
use super::played_clock::PlayedClock;
use super::world::config::configuration;
use super::world::faults::Switches;
use super::world::scenario::Scenario;
use super::world::sprinkler::{Capability, Instructions};
use super::world::{Message, World};
use super::{DemoError, Options, Say, Stop, stage};

/// Runs until the time is over or `stop` is ready. Every line goes to `say`.
///
/// # Errors
/// See [`DemoError`].
pub async fn run(options: Options, stop: impl Stop, mut say: impl Say) -> Result<(), DemoError> {
    let folder = Folder::create().map_err(DemoError::Folder)?;
    let broker = Broker::start(0).await.map_err(DemoError::Port)?;
    let scenario = stage::scenario();
    let text = configuration(&scenario);
    let loaded = config::load_text("demo", &text, std::iter::empty());
    let loaded = loaded.map_err(|faults| DemoError::Config(faults.to_string()))?;
    greet(&scenario, options, broker.port(), &mut say);

    let lockstep = Arc::new(Lockstep::default());
    let clock = Arc::new(PlayedClock::new(Stamp(scenario.start)));
    let settings = loaded.settings.clone();
    let daemon_settings = RunSettings {
        clock: clock.clone(),
        watcher: Some(lockstep.clone()),
        ..RunSettings::new(loaded.settings, loaded.text, broker_settings(&broker), folder.path().join("demo.db"))
    };
    let (stop_daemon, stopped) = oneshot::channel::<()>();
    let mut daemon = tokio::spawn(run::run(daemon_settings, async move {
        let _ = stopped.await;
    }));

    let (client, mut eventloop) = AsyncClient::new(client_options(&broker), 1_000);
    // What is small goes out at once: many exchanges make a day.
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    eventloop.set_network_options(network);
    let listening = tokio::spawn(listen(eventloop, lockstep.clone()));
    let mut player = Player {
        world: World::new(scenario, options.seed, Switches::default()),
        instructions: Instructions::default(),
        account: Account::new(&settings),
        prefix: settings.prefix.clone(),
        client,
        lockstep,
        clock,
        sent: 0,
    };
    let outcome = tokio::select! {
        outcome = perform(&mut player, &broker, options, stop, &mut say) => outcome,
        ended = &mut daemon => Err(match ended {
            Ok(Err(error)) => error.into(),
            _ => DemoError::Ended,
        }),
    };
    if outcome.is_ok() {
        let _ = stop_daemon.send(());
        daemon.await.map_err(|_| DemoError::Ended)??;
        farewell(&player, &mut say);
    }
    listening.abort();
    outcome
}

fn greet(scenario: &Scenario, options: Options, port: u16, say: &mut impl Say) {
    let Options { pace, seconds: end, .. } = options;
    let seconds = if pace > 0.0 {
        format!("a day takes about {:.0} seconds", 1.0 / pace)
    } else {
        "as fast as it goes".to_owned()
    };
    say(
        "Three invented sites with their weather and sprinklers, a small MQTT broker, and thirstd itself, in one process.",
    );
    say(&format!("Time is played: {seconds}. The rest is real: read over MQTT, kept on disk, decided, published."));
    say("");
    for site in &scenario.sites {
        let groups: Vec<&str> = site.controller.groups.iter().map(|group| group.label.as_str()).collect();
        let takes = match site.controller.capability {
            Capability::Hold => "a contact, water or not",
            Capability::Percent => "one percentage",
            Capability::PercentPerGroup => "a percentage for each",
        };
        let (label, groups) = (format!("{}, {:.0} m", site.label, site.elevation_m), groups.join(" and "));
        say(&format!("  {:<12}  {label:<20}  {groups}; controller: {takes}", site.id));
    }
    say("");
    say("ETo is the water that a reference lawn would use; owed is what the plants have used and not got back.");
    say(&format!("Listen in with any MQTT client at 127.0.0.1, port {port}, without a password; for example:"));
    say(&format!("  mosquitto_sub -p {port} -v -t '{}/#'", scenario.prefix));
    say(&format!("It ends by itself after {end} seconds, or with Ctrl-C."));
    say("");
}

fn farewell(player: &Player<'_>, say: &mut impl Say) {
    let days = player.clock.monotonic() as f64 / DAY as f64;
    let Account { holds, alerts, .. } = player.account;
    say("");
    say(&format!(
        "The end after {days:.1} days: {} messages read and kept; holds: {holds}, alerts: {alerts}.",
        player.sent
    ));
    say("Broker and store were temporary and are gone. For your own sensors: README.md, \"Quick start\".");
}

fn broker_settings(broker: &Broker) -> BrokerSettings {
    BrokerSettings { host: "127.0.0.1".to_owned(), port: broker.port(), ..BrokerSettings::default() }
}

fn client_options(broker: &Broker) -> MqttOptions {
    let mut options = MqttOptions::new("world", "127.0.0.1", broker.port());
    options.set_keep_alive(Duration::from_secs(30)).set_max_packet_size(256 << 10, 256 << 10);
    options
}

/// Polls the world's own connection.
async fn listen(mut eventloop: EventLoop, lockstep: Arc<Lockstep>) {
    while let Ok(event) = eventloop.poll().await {
        if let Event::Incoming(Packet::Publish(publish)) = event {
            lockstep.hear(Publication { topic: publish.topic, payload: publish.payload.to_vec() });
        }
    }
}

/// The world, and its voice on the broker.
struct Player<'a> {
    world: World,
    instructions: Instructions,
    account: Account<'a>,
    prefix: String,
    client: AsyncClient,
    lockstep: Arc<Lockstep>,
    clock: Arc<PlayedClock>,
    sent: usize,
}

async fn perform(
    player: &mut Player<'_>,
    broker: &Broker,
    options: Options,
    stop: impl Stop,
    say: &mut impl Say,
) -> Result<(), DemoError> {
    let mut stop = pin!(stop);
    let real = SystemClock::start();
    let end = i64::from(options.seconds) * 1_000;
    let page = Page { color: options.color };
    tokio::select! {
        begun = player.begin(broker) => begun?,
        () = &mut stop => return Ok(()),
    }
    while real.monotonic() < end {
        let entries = tokio::select! {
            entries = player.slot() => entries?,
            () = &mut stop => return Ok(()),
        };
        for line in entries.iter().flat_map(|entry| page.lines(entry)) {
            say(&line);
        }
        if options.pace > 0.0 {
            let days = player.clock.monotonic() as f64 / DAY as f64;
            let due = (days / options.pace * 1_000.0) as i64;
            let ahead = due.min(end) - real.monotonic();
            tokio::select! {
                () = tokio::time::sleep(Duration::from_millis(ahead.max(0).unsigned_abs())) => {}
                () = &mut stop => return Ok(()),
            }
        }
    }
    Ok(())
}

impl Player<'_> {
    /// Both sides have to listen before anybody speaks.
    async fn begin(&mut self, broker: &Broker) -> Result<(), DemoError> {
        let _ = self.client.subscribe(format!("{}/#", self.prefix), QoS::AtLeastOnce).await;
        let ours = format!("{}/site/any/totals", self.prefix);
        let theirs = format!("{}/site/any/command", self.prefix);
        let daemon = BrokerSettings::default().client_id;
        let both = async {
            while !(broker.serves("world", &ours) && broker.serves(&daemon, &theirs)) {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(PATIENCE, both).await.map_err(|_| DemoError::Stuck(PATIENCE.as_secs()))
    }

    /// One slot: the world speaks, the daemon answers, bridges confirm.
    async fn slot(&mut self) -> Result<Vec<Entry>, DemoError> {
        let messages = self.world.step(&self.instructions);
        let end = Stamp(self.world.now());
        let mut entries = Vec::new();
        // What the daemon decides by the clock alone is confirmed within the minute, too.
        while let Some(due) = self.lockstep.deadline(end) {
            self.clock.set(due.plus(MINUTE).min(end));
            entries.extend(self.exchange(Vec::new(), Some(due)).await?);
            self.confirm(&mut entries).await?;
        }
        self.clock.set(end);
        entries.extend(self.exchange(messages, None).await?);
        self.confirm(&mut entries).await?;
        entries.extend(self.account.evening(end));
        Ok(entries)
    }

    /// Bridges confirm what is new, until nothing is.
    async fn confirm(&mut self, entries: &mut Vec<Entry>) -> Result<(), DemoError> {
        loop {
            let confirmations = self.world.confirm(self.clock.wall().0, &self.instructions);
            if confirmations.is_empty() {
                return Ok(());
            }
            entries.extend(self.exchange(confirmations, None).await?);
        }
    }

    async fn exchange(&mut self, messages: Vec<Message>, due: Option<Stamp>) -> Result<Vec<Entry>, DemoError> {
        // Others may send something as well, so the count begins anew each time.
        let target = self.lockstep.messages() + messages.len();
        for Message { topic, payload, .. } in messages {
            self.sent += 1;
            let published = self.client.publish(topic, QoS::AtLeastOnce, false, payload).await;
            published.map_err(|_| DemoError::Ended)?;
        }
        let settled = tokio::time::timeout(PATIENCE, self.lockstep.settled(target, due)).await;
        let publications = settled.map_err(|_| DemoError::Stuck(PATIENCE.as_secs()))?;
        for Publication { topic, payload } in &publications {
            self.instructions.take(&self.prefix, topic, payload);
        }
        Ok(self.account.hear(self.clock.wall(), &publications))
    }
}

/// How long a slot may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);
