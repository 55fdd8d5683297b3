//! Pictures of the key moments: what both phones saw at one event stands side by side.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};

use crate::report::content::{DeliveryContent, KeyPicture};
use crate::report::labels::event_name;
use crate::report::numbers::rounded;

/// One figure an event, in order of time.
pub(super) fn pictures(delivery: &DeliveryContent) -> Markup {
    let mut events: Vec<(&str, Vec<&KeyPicture>)> = Vec::new();
    for picture in &delivery.pictures {
        match events.iter_mut().find(|(event, _)| *event == picture.event) {
            Some((_, views)) => views.push(picture),
            None => events.push((&picture.event, vec![picture])),
        }
    }
    html! {
        @if !events.is_empty() {
            div.pictures {
                @for (event, views) in &events {
                    figure {
                        div.views {
                            @for view in views {
                                img alt={ (event_name(event)) ", " (view.view) } title=(view.view)
                                    src={ "data:image/png;base64," (STANDARD.encode(&view.png)) };
                            }
                        }
                        figcaption { b { (event_name(event)) } " " span { (before_zero(delivery, event)) } }
                    }
                }
            }
            p.note {
                "Lines: the joints as the program found them, orange on the athlete's right, blue on the left. "
                "A ring is as wide as the doubt about its joint. Lines that miss the body make the figures below unsafe."
            }
        }
    }
}

/// `0.142 s before release`; empty for the instant itself and for what is no event.
fn before_zero(delivery: &DeliveryContent, name: &str) -> String {
    let events = delivery.record.events.named();
    let event = events.iter().find(|(known, _)| *known == name);
    let (Some((_, Some(event))), Some((zero_name, zero))) = (event, delivery.zero()) else {
        return String::new();
    };
    let from_zero_s = event.time_s - zero.time_s;
    match rounded(from_zero_s.abs(), "s") {
        _ if from_zero_s.abs() < 0.0005 => String::new(),
        time if from_zero_s < 0.0 => format!("{time}\u{a0}s before {zero_name}"),
        time => format!("{time}\u{a0}s after {zero_name}"),
    }
}
