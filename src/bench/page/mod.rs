//! The page: HTML written from what a station shows.
