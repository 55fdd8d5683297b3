//! Texts of other stages as sentences for people: joints and events by their words, a capital first, a full stop last.

use crate::report::labels::event_name;
use crate::skeleton::Joint;
use crate::store::EVENT_NAMES;

/// `left_knee lost` -> `Left knee lost.`
pub(super) fn sentence(text: &str) -> String {
    let text = in_words(text.trim());
    let mut letters = text.chars();
    let Some(first) = letters.next() else {
        return text;
    };
    let mut sentence: String = first.to_uppercase().chain(letters).collect();
    if !sentence.ends_with(['.', '!', '?', ':']) {
        sentence.push('.');
    }
    sentence
}

/// Names of joints and events as words.
pub(super) fn in_words(text: &str) -> String {
    let mut text = text.to_owned();
    for event in EVENT_NAMES {
        text = text.replace(event, &event_name(event).to_lowercase());
    }
    for joint in Joint::ALL {
        text = text.replace(joint.name(), &joint.name().replace('_', " "));
    }
    text
}

/// The text with an ellipsis for each number: reasons that differ in their numbers alone have one shape.
pub(super) fn shape(text: &str) -> String {
    let mut shape = String::new();
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        if !letter.is_ascii_digit() {
            shape.push(letter);
            continue;
        }
        while let Some(next) = letters.peek().copied() {
            let mut ahead = letters.clone();
            ahead.next();
            let decimal = next == '.' && ahead.peek().is_some_and(char::is_ascii_digit);
            if !next.is_ascii_digit() && !decimal {
                break;
            }
            letters.next();
        }
        shape.push('…');
    }
    shape
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_become_sentences_in_words() {
        assert_eq!(
            sentence("right_big_toe was lost at foot_contact"),
            "Right big toe was lost at foot contact."
        );
        assert_eq!(sentence("Clap again."), "Clap again.");
        assert_eq!(sentence(""), "");
    }

    #[test]
    fn numbers_alone_do_not_make_another_reason() {
        assert_eq!(
            shape("its doubt, 25.924, is above 5."),
            "its doubt, …, is above …."
        );
        assert_eq!(shape("no numbers"), "no numbers");
    }
}
