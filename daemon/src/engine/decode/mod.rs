//! To come.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct FeedSettings;
impl FeedSettings {
    pub fn filter(&self) -> String {
        String::new()
    }
}
