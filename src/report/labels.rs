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

/// Explains the twin of an energy that is shared out over the body's mass.
const PER_MASS: &str = "per kilogram of body mass";

/// What a metric id says.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Label {
    /// Name of the figure.
    pub(super) name: String,
    /// What is meant, or what zero or plus mean.
    pub(super) hint: &'static str,
    /// Where it stands on the page.
    pub(super) group: Group,
    /// Its rank within the group; those that are not known come last.
    pub(super) place: usize,
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
    match KNOWN.iter().enumerate().find(|(_, (known, ..))| *known == stem) {
        Some((place, (_, name, hint, group))) => Label {
            name: (*name).to_owned(),
            hint: if id.ends_with("_j_kg") { PER_MASS } else { hint },
            group: *group,
            place,
            event,
        },
        None => Label {
            name: plain_words(stem),
            hint: "",
            group: guessed_group(stem),
            place: KNOWN.len(),
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

/// Stem of the id, name, what is meant (zero, plus, minus), group; within a group in the order of the page.
#[rustfmt::skip]
const KNOWN: [(&str, &str, &str, Group); 50] = [
    ("stride_length", "Stride length", "ankle to ankle, share of body height", Group::Legs),
    ("stride_direction", "Stride direction", "0 straight at the target, + closed (across the body), − open", Group::Legs),
    ("lead_foot_angle", "Lead foot direction", "0 points at the target, + closed, − open", Group::Legs),
    ("lead_knee_flexion", "Lead knee bend", "0 straight", Group::Legs),
    ("lead_knee_extension_foot_contact_to_release", "Lead knee extension, contact to release", "+ the front leg straightens, − it gives way", Group::Legs),
    ("drive_knee_flexion", "Drive knee bend", "0 straight", Group::Legs),
    ("drive_hip_abduction", "Drive hip abduction", "how far the drive thigh is spread to the side", Group::Legs),
    ("drive_hip_rotation", "Drive hip rotation", "+ thigh turned outward, − inward", Group::Legs),
    ("pelvis_travel_before_rotation", "Pelvis travel before it turns", "toward the target from knee lift on, share of body height", Group::Legs),
    ("pelvis_travel_by_foot_contact", "Pelvis travel by foot contact", "toward the target from knee lift on, share of body height", Group::Legs),
    ("pelvis_drop_before_rotation", "Pelvis drop before it turns", "down from knee lift on, share of body height", Group::Legs),
    ("pelvis_rotation", "Pelvis rotation", "0 side-on, 90 faces the target, − turned away", Group::Trunk),
    ("trunk_rotation", "Shoulder line rotation", "0 side-on, 90 faces the target, − turned away", Group::Trunk),
    ("hip_shoulder_separation", "Hip-shoulder separation", "+ pelvis ahead of the shoulders", Group::Trunk),
    ("max_hip_shoulder_separation", "Hip-shoulder separation, largest", "+ pelvis ahead of the shoulders", Group::Trunk),
    ("trunk_forward_tilt", "Trunk forward tilt", "0 upright, + to where the chest faces, − leaning back", Group::Trunk),
    ("trunk_tilt_toward_target", "Trunk tilt toward the target", "0 upright, + toward the target", Group::Trunk),
    ("trunk_contralateral_tilt", "Trunk side tilt", "0 upright, + toward the glove side, across the chest", Group::Trunk),
    ("trunk_lean_seen_from_target", "Trunk lean as the catcher sees it", "0 upright, + toward the glove side", Group::Trunk),
    ("shoulder_line_tilt", "Shoulder line tilt", "0 level, + throwing shoulder higher", Group::Trunk),
    ("pelvis_contralateral_tilt", "Pelvis side tilt", "0 level, + throwing-side hip higher", Group::Trunk),
    ("max_shoulder_external_rotation", "Layback: largest external rotation", "90 forearm up, 180 forearm points back", Group::Arm),
    ("shoulder_external_rotation", "Shoulder external rotation", "0 forearm forward, 90 up, 180 back", Group::Arm),
    ("shoulder_abduction", "Shoulder abduction", "0 arm down, 90 upper arm level with the shoulders", Group::Arm),
    ("shoulder_horizontal_abduction", "Shoulder horizontal abduction", "+ elbow behind the line of the shoulders", Group::Arm),
    ("elbow_flexion", "Elbow bend", "0 straight", Group::Arm),
    ("arm_slot", "Arm slot", "0 sidearm, 90 straight overhead", Group::Arm),
    ("ball_speed", "Ball speed", "at release, from its flight", Group::Release),
    ("release_height", "Release height", "above the ground, share of body height", Group::Release),
    ("release_extension", "Release extension", "in front of the rubber, share of body height", Group::Release),
    ("release_side", "Release to the side", "+ throwing side of the rubber's middle", Group::Release),
    ("peak_pelvis_forward_speed", "Pelvis toward the target", "travel, not turning", Group::Speeds),
    ("peak_pelvis_rotation_speed", "Pelvis rotation", "toward the target", Group::Speeds),
    ("peak_trunk_rotation_speed", "Trunk rotation", "toward the target", Group::Speeds),
    ("peak_glove_arm_rotation_speed", "Glove arm rotation", "upper arm", Group::Speeds),
    ("peak_lead_knee_extension_speed", "Lead knee extension", "straightening", Group::Speeds),
    ("peak_elbow_extension_speed", "Elbow extension", "straightening", Group::Speeds),
    ("peak_shoulder_internal_rotation_speed", "Shoulder internal rotation", "forearm swings forward after layback", Group::Speeds),
    ("peak_hand_speed", "Hand", "knuckle of the middle finger", Group::Speeds),
    ("drive_knee_drop_to_arm_raise_delay", "Arm raise after drive knee drop", "halfway up against halfway down, − the arm is first", Group::Timing),
    ("drive_heel_lift_before_foot_contact", "Drive heel lifts before contact", "0 still down at contact", Group::Timing),
    ("pelvis_rotation_onset_before_foot_contact", "Pelvis starts to turn before contact", "− it starts after contact", Group::Timing),
    ("glove_arm_peak_to_foot_contact", "Glove arm's fastest moment after contact", "− before contact", Group::Timing),
    ("foot_contact_to_ball_release", "Contact to release", "", Group::Timing),
    ("pelvis_to_trunk_peak_delay", "Trunk peak after pelvis peak", "+ the pelvis is fastest first", Group::Timing),
    ("trunk_to_arm_energy_peak_delay", "Arm energy peak after trunk energy peak", "+ the trunk peaks first", Group::Timing),
    ("peak_lower_body_kinetic_energy", "Peak lower body kinetic energy", "thighs, shanks and feet", Group::Energy),
    ("peak_trunk_kinetic_energy", "Peak trunk kinetic energy", "trunk and head", Group::Energy),
    ("peak_throwing_arm_kinetic_energy", "Peak throwing arm kinetic energy", "upper arm, forearm, hand and ball", Group::Energy),
    ("linear_share_of_kinetic_energy", "Share of energy in straight motion", "the rest is in turning and swinging limbs", Group::Energy),
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
        assert_eq!(label("peak_trunk_kinetic_energy_j_kg").hint, PER_MASS);
        assert_eq!(label("peak_trunk_kinetic_energy_j").hint, "trunk and head");
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
