//! Pipeline: the story from two videos to one measured delivery.
