//! Time zones: the one module that knows wall clocks.
