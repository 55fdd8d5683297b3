//! Fixed texts: how to read the page, and the cautions.

use maud::{Markup, html};

/// Where people get hurt: said on every page.
pub(super) fn cautions() -> Markup {
    html! {
        section.cautions #cautions {
            h2 { "Before you act on this page" }
            ul {
                li {
                    b { "Pain comes first. " }
                    "With pain, numbness or swelling in shoulder, elbow or forearm: stop throwing and have it looked at by a "
                    "licensed clinician before throwing again. No figure here can say that an arm is healthy or in danger."
                }
                li {
                    b { "Young pitchers. " }
                    "Pitch counts, rest days and pitch types follow the rules of your league, school or national body, "
                    "whatever this page shows. Growing arms are not small adult arms; the published values are mostly adults'."
                }
                li {
                    b { "Workload. " }
                    "This page sees a few deliveries, not the week. Throwing load is planned and judged by a qualified coach "
                    "together with medical staff."
                }
                li {
                    b { "Separation and the order of peaks. " }
                    "On rendered recordings, the only ones with a known truth, hip-shoulder separation was read up to 13° too "
                    "small and the delay from the pelvis's peak to the trunk's about 20 ms too short. Do not act on these alone."
                }
                li {
                    b { "Change with care. " }
                    "No figure here is a diagnosis; this is no medical device. A figure outside its usual range is a question, not a fault. Look at several deliveries, change one thing "
                    "at a time, and only with a coach who watches the athlete."
                }
            }
        }
    }
}

/// What moments, signs and words mean.
pub(super) fn how_to_read() -> Markup {
    html! {
        details.card {
            summary { "How to read this page: the four moments, sides, signs, doubt" }
            dl {
                dt { "K, knee lift" }
                dd { "The lead knee is at its highest: the balance point, before the body moves down the mound." }
                dt { "C, foot contact" }
                dd {
                    "The lead foot has landed: its heel and toes have slowed to under 30 % of their fastest stride speed and "
                    "stay slow until release."
                }
                dt { "L, layback" }
                dd { "The throwing shoulder is turned outward furthest: the forearm lies back, the hand is behind the elbow." }
                dt { "R, release" }
                dd {
                    "The ball leaves the hand. When its flight is not seen: 3 ms after the hand is fastest, with more doubt."
                }
                dt { "Times" }
                dd {
                    "Under each moment: seconds from the start of the left phone's video. Between two moments: the seconds from "
                    "one to the next."
                }
                dt { "Lead and drive, throwing side and glove side" }
                dd {
                    "The drive leg pushes off the rubber, the lead leg strides. Sides are the athlete's own. Left-handers are "
                    "mirrored first, so that a number means the same for both hands."
                }
                dt { "Closed and open" }
                dd {
                    "Closed: the stride or foot goes toward the throwing-arm side of the line to the target, across the body. "
                    "Open: toward the glove side."
                }
                dt { "+ and −" }
                dd { "The small line under a name says what zero is, and which way counts as plus." }
                dt { "±" }
                dd {
                    "One standard deviation: about two out of three times the true value lies within, nineteen out of twenty "
                    "times within twice as much. Two deliveries that differ by less than their doubts cannot be told apart. "
                    "The doubt is found by repetition: the joints are moved at random within their own doubts, and everything "
                    "is measured anew each time."
                }
                dt { span.value.doubtful { b { "amber" } } ", dotted line" }
                dd { "Doubtful: a value exists, but the stated reason makes it unsafe to act on." }
                dt { span.missing { "–" } }
                dd { "Not measurable here. The reasons stand below the figures." }
                dt { "Share of body height" }
                dd { "Lengths are divided by the athlete's height, so that short and tall pitchers can be compared." }
                dt { "Findings" }
                dd {
                    "A finding compares figures with a line from a publication or from common practice, and is stated only when the "
                    "doubt allows it: \"likely\" is four times in five or more, \"very likely\" nineteen in twenty. For videos that doubt is wider than the ± "
                    "beside the figure: errors that all recordings by two phones share are counted in."
                }
                dt { "Published values" }
                dd {
                    "Shown small under a figure when the level of play is given (" code { "--level" } " or " code { "--age" }
                    "): the published mean less and plus two standard deviations, so nineteen in twenty of those athletes. "
                    "Hold the pointer over it for the source."
                }
                dt { "Speeds" }
                dd { "From the smoothed path of the joints; a laboratory with other filters finds other peaks." }
            }
        }
    }
}
