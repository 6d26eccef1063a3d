//! Checks of what is answered over HTTP.
