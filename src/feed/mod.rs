//! iCalendar feeds.
