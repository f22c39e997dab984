//! Which sensors of which sites a message is for.

use std::collections::HashMap;
use std::sync::Arc;

use super::settings::Settings;

/// A sensor of a site, by index in the settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Target {
    pub site: usize,
    pub sensor: usize,
}

/// Names as messages give them, to targets.
#[derive(Clone, Debug, Default)]
pub struct Routes {
    sites: HashMap<String, usize>,
    heard: HashMap<String, HashMap<String, Arc<[Target]>>>,
    listeners: HashMap<String, Vec<usize>>,
}

impl Routes {
    pub fn new(settings: &Settings) -> Self {
        let mut routes = Self::default();
        let mut heard: HashMap<String, HashMap<String, Vec<Target>>> = HashMap::new();
        for (site, site_settings) in settings.sites.iter().enumerate() {
            routes.sites.insert(site_settings.id.clone(), site);
            for neighbor in &site_settings.neighbors {
                routes.listeners.entry(neighbor.clone()).or_default().push(site);
            }
            for (sensor, sensor_settings) in site_settings.sensors.iter().enumerate() {
                let under = heard.entry(sensor_settings.heard_under.clone()).or_default();
                under.entry(sensor_settings.heard_as.clone()).or_default().push(Target { site, sensor });
            }
        }
        let shared = |under: HashMap<String, Vec<Target>>| under.into_iter().map(|(name, all)| (name, all.into()));
        routes.heard = heard.into_iter().map(|(under, all)| (under, shared(all).collect())).collect();
        routes
    }

    /// Index of the site with this id.
    pub fn site(&self, id: &str) -> Option<usize> {
        self.sites.get(id).copied()
    }

    /// The sites that list this one as a neighbor.
    pub fn listeners(&self, site: &str) -> Vec<usize> {
        self.listeners.get(site).cloned().unwrap_or_default()
    }

    /// Every sensor that a message of this site and sensor text is for: one sensor may serve several sites.
    pub fn targets(&self, site: &str, sensor: &str) -> Arc<[Target]> {
        self.heard.get(site).and_then(|under| under.get(sensor)).cloned().unwrap_or_default()
    }
}
