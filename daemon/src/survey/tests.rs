//! Small surveys: what a few messages make of a topic.
