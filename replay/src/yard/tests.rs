//! The yard on a history of our own, and on open ones where they are.
