//! Sync: two phones' clocks become one.
