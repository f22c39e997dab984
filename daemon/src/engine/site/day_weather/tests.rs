//! Days in parts of the site, its neighbors and nobody.
