//! Counters and caps by the reference cases, the field cases by id, and what must always hold.
