//! Words for metrics and events.

use crate::store::EVENT_NAMES;

/// A part of the page.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Group {
    Legs,
    Trunk,
    Arm,
    Release,
    Speeds,
    Timing,
    Energy,
}

impl Group {
    pub(super) const ALL: [Self; 7] = [
        Self::Legs,
        Self::Trunk,
        Self::Arm,
        Self::Release,
        Self::Speeds,
        Self::Timing,
        Self::Energy,
    ];

    /// Heading.
    pub(super) fn title(self) -> &'static str {
        match self {
            Self::Legs => "Legs and stride",
            Self::Trunk => "Pelvis and trunk",
            Self::Arm => "Throwing arm",
            Self::Release => "Release",
            Self::Speeds => "Peak speeds",
            Self::Timing => "Timing",
            Self::Energy => "Energy",
        }
    }
}

/// Endings of metric ids that name a unit; the longer first.
const UNIT_ENDINGS: [&str; 9] = [
    "_pct_height",
    "_deg_s",
    "_j_kg",
    "_m_s",
    "_deg",
    "_pct",
    "_j",
    "_m",
    "_s",
];

/// What a metric id says.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Label {
    /// Name of the figure.
    pub(super) name: String,
    /// What zero or plus mean, or an empty text.
    pub(super) hint: &'static str,
    /// Where it stands on the page.
    pub(super) group: Group,
    /// The event in its id (`..._at_EVENT_...`).
    pub(super) event: Option<&'static str>,
}

/// Reads a metric id; one that is not known is put into plain words.
pub(super) fn label(id: &str) -> Label {
    let bare = UNIT_ENDINGS.iter().find_map(|e| id.strip_suffix(e)).unwrap_or(id);
    let (stem, event) = EVENT_NAMES
        .iter()
        .find_map(|event| {
            let stem = bare.strip_suffix(event)?.strip_suffix("_at_")?;
            Some((stem, Some(*event)))
        })
        .unwrap_or((bare, None));
    match KNOWN.iter().find(|(known, ..)| *known == stem) {
        Some((_, name, hint, group)) => Label {
            name: (*name).to_owned(),
            hint,
            group: *group,
            event,
        },
        None => Label {
            name: plain_words(stem),
            hint: "",
            group: guessed_group(stem),
            event,
        },
    }
}

/// `peak_hand_speed` -> `Peak hand speed`.
fn plain_words(stem: &str) -> String {
    let spaced = stem.replace('_', " ");
    let mut letters = spaced.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => spaced,
    }
}

fn guessed_group(stem: &str) -> Group {
    let has = |words: &[&str]| words.iter().any(|w| stem.contains(w));
    if has(&["energy"]) {
        Group::Energy
    } else if has(&["delay", "before_", "_to_"]) {
        Group::Timing
    } else if has(&["speed"]) {
        Group::Speeds
    } else if has(&["release", "ball"]) {
        Group::Release
    } else if has(&["shoulder_", "elbow", "arm", "wrist"]) {
        Group::Arm
    } else if has(&["pelvis", "trunk"]) {
        Group::Trunk
    } else {
        Group::Legs
    }
}

/// Stem of the id, name, what zero or plus mean, place.
#[rustfmt::skip]
const KNOWN: [(&str, &str, &str, Group); 46] = [
    ("stride_length", "Stride length", "ankle to ankle, share of body height", Group::Legs),
    ("stride_direction", "Stride direction", "+ closed, toward the throwing-arm side", Group::Legs),
    ("lead_foot_angle", "Lead foot direction", "0 at the target, + closed", Group::Legs),
    ("lead_knee_flexion", "Lead knee bend", "0 straight", Group::Legs),
    ("lead_knee_extension_foot_contact_to_release", "Lead knee extension, contact to release", "+ straightens", Group::Legs),
    ("peak_lead_knee_extension_speed", "Lead knee extension", "", Group::Speeds),
    ("drive_knee_flexion", "Drive knee bend", "0 straight", Group::Legs),
    ("drive_hip_abduction", "Drive hip abduction", "", Group::Legs),
    ("drive_hip_rotation", "Drive hip rotation", "+ external", Group::Legs),
    ("drive_heel_lift_before_foot_contact", "Drive heel lifts before contact", "", Group::Timing),
    ("drive_knee_drop_to_arm_raise_delay", "Arm raise after drive knee drop", "", Group::Timing),
    ("pelvis_rotation_onset_before_foot_contact", "Pelvis starts to turn before contact", "", Group::Timing),
    ("pelvis_rotation", "Pelvis rotation", "0 side-on, 90 faces the target", Group::Trunk),
    ("trunk_rotation", "Trunk rotation", "0 side-on, 90 faces the target", Group::Trunk),
    ("hip_shoulder_separation", "Hip-shoulder separation", "+ pelvis ahead", Group::Trunk),
    ("max_hip_shoulder_separation", "Hip-shoulder separation, largest", "+ pelvis ahead", Group::Trunk),
    ("pelvis_contralateral_tilt", "Pelvis side tilt", "+ throwing-side hip higher", Group::Trunk),
    ("trunk_contralateral_tilt", "Trunk side tilt", "+ toward the glove side", Group::Trunk),
    ("shoulder_line_tilt", "Shoulder line tilt", "+ throwing shoulder higher", Group::Trunk),
    ("trunk_lean_seen_from_target", "Trunk lean, seen from the target", "+ toward the glove side", Group::Trunk),
    ("trunk_forward_tilt", "Trunk forward tilt", "+ where the chest faces", Group::Trunk),
    ("trunk_tilt_toward_target", "Trunk tilt toward the target", "", Group::Trunk),
    ("shoulder_abduction", "Shoulder abduction", "0 arm down", Group::Arm),
    ("shoulder_horizontal_abduction", "Shoulder horizontal abduction", "+ elbow behind the shoulder line", Group::Arm),
    ("shoulder_external_rotation", "Shoulder external rotation", "0 forearm forward, 90 up, 180 back", Group::Arm),
    ("max_shoulder_external_rotation", "Layback: largest external rotation", "0 forearm forward, 90 up, 180 back", Group::Arm),
    ("elbow_flexion", "Elbow bend", "0 straight", Group::Arm),
    ("arm_slot", "Arm slot", "0 sidearm, 90 straight up", Group::Arm),
    ("peak_pelvis_rotation_speed", "Pelvis rotation", "", Group::Speeds),
    ("peak_trunk_rotation_speed", "Trunk rotation", "", Group::Speeds),
    ("peak_glove_arm_rotation_speed", "Glove arm rotation", "", Group::Speeds),
    ("peak_elbow_extension_speed", "Elbow extension", "", Group::Speeds),
    ("peak_shoulder_internal_rotation_speed", "Shoulder internal rotation", "", Group::Speeds),
    ("peak_pelvis_forward_speed", "Pelvis toward the target", "", Group::Speeds),
    ("peak_hand_speed", "Hand", "", Group::Speeds),
    ("pelvis_to_trunk_peak_delay", "Trunk peak after pelvis peak", "", Group::Timing),
    ("glove_arm_peak_to_foot_contact", "Glove arm peak, from contact", "- before contact", Group::Timing),
    ("foot_contact_to_ball_release", "Contact to release", "", Group::Timing),
    ("pelvis_travel_before_rotation", "Pelvis travel before it turns", "share of body height", Group::Legs),
    ("pelvis_drop_before_rotation", "Pelvis drop before it turns", "share of body height", Group::Legs),
    ("ball_speed", "Ball speed", "", Group::Release),
    ("release_height", "Release height", "share of body height", Group::Release),
    ("release_extension", "Release extension", "in front of the rubber, share of body height", Group::Release),
    ("release_side", "Release to the side", "+ throwing side", Group::Release),
    ("trunk_to_arm_energy_peak_delay", "Arm energy peak after trunk peak", "", Group::Timing),
    ("linear_share_of_kinetic_energy", "Share of energy in straight motion", "", Group::Energy),
];

/// Name of an event; a text that is none stays.
pub(super) fn event_name(event: &str) -> &str {
    match event {
        "peak_knee_lift" => "Knee lift",
        "foot_contact" => "Foot contact",
        "max_external_rotation" => "Layback",
        "ball_release" => "Release",
        other => other,
    }
}

/// The letter that marks an event in charts.
pub(super) fn event_letter(event: &str) -> &'static str {
    match event {
        "peak_knee_lift" => "K",
        "foot_contact" => "C",
        "max_external_rotation" => "L",
        "ball_release" => "R",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_of_the_contract_are_read() {
        let l = label("lead_knee_flexion_at_ball_release_deg");
        assert_eq!(
            (l.name.as_str(), l.event, l.group),
            ("Lead knee bend", Some("ball_release"), Group::Legs)
        );
        let l = label("peak_trunk_kinetic_energy_j_kg");
        assert_eq!(
            (l.name.as_str(), l.event, l.group),
            ("Peak trunk kinetic energy", None, Group::Energy)
        );
        let l = label("foot_contact_to_ball_release_s");
        assert_eq!(
            (l.name.as_str(), l.event, l.group),
            ("Contact to release", None, Group::Timing)
        );
        let l = label("something_new_at_foot_contact_deg");
        assert_eq!(
            (l.name.as_str(), l.event),
            ("Something new", Some("foot_contact"))
        );
    }
}
