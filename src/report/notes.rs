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
                    b { "Change with care. " }
                    "A figure outside its usual range is a question, not a fault. Look at several deliveries, change one thing "
                    "at a time, and only with a coach who watches the athlete."
                }
            }
        }
    }
}

/// What signs and words mean.
pub(super) fn how_to_read() -> Markup {
    html! {
        details.card {
            summary { "How to read this page" }
            dl {
                dt { "±" }
                dd {
                    "One standard deviation: about two out of three times the true value lies within, nineteen out of twenty "
                    "times within twice as much."
                }
                dt { span.value.doubtful { b { "amber" } } ", dotted line" }
                dd { "Doubtful: a value exists, but the stated reason makes it unsafe to act on." }
                dt { span.missing { "–" } }
                dd { "Not measurable here. The reasons stand below the figures." }
                dt { "Sides" }
                dd {
                    "Throwing side and lead side are the athlete's own. Left-handers are mirrored first, so the same number means "
                    "the same for both hands."
                }
                dt { "K, C, L, R in the charts" }
                dd {
                    "Knee lift (lead knee highest), foot contact, layback (shoulder turned out furthest), release. Times count "
                    "from release."
                }
                dt { "Speeds" }
                dd { "From the smoothed path of the joints; a laboratory with other filters finds other peaks." }
            }
        }
    }
}
