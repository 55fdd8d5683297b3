//! What each figure should reach: the project's accuracy goals, of rendered recordings.

/// Joints, mean and median, millimetres.
pub(crate) const JOINTS_MM: (f64, f64) = (20.0, 12.0);
/// Clock between middle instants, seconds, and the share of single deliveries that should reach it.
pub(crate) const CLOCK_S: f64 = 0.0004;
pub(crate) const CLOCK_SHARE: f64 = 0.6;
/// Share of truths that a 90 % interval should hold, and most of median deviation over root mean square error.
pub(crate) const COVERAGE: (f64, f64) = (0.85, 0.95);
pub(crate) const SD_OVER_RMS: f64 = 1.5;

/// A group of figures whose doubts are judged together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Group {
    LegAngles,
    TrunkAngles,
    ArmAngles,
    Speeds,
    Timing,
    Lengths,
    Energies,
}

impl Group {
    pub(crate) const ALL: [Self; 7] = [
        Self::LegAngles,
        Self::TrunkAngles,
        Self::ArmAngles,
        Self::Speeds,
        Self::Timing,
        Self::Lengths,
        Self::Energies,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::LegAngles => "angles of the legs",
            Self::TrunkAngles => "angles of pelvis and trunk",
            Self::ArmAngles => "angles of the arm",
            Self::Speeds => "speeds",
            Self::Timing => "delays",
            Self::Lengths => "stride, release point, travel",
            Self::Energies => "energies",
        }
    }

    /// The group of a metric, by its unit and what its id names.
    pub(crate) fn of(id: &str, unit: &str) -> Self {
        let has = |words: &[&str]| words.iter().any(|w| id.contains(w));
        match unit {
            "deg/s" | "m/s" => Self::Speeds,
            "s" => Self::Timing,
            "J" | "J/kg" => Self::Energies,
            "deg" if has(&["shoulder_line", "hip_shoulder", "trunk_", "pelvis_"]) => Self::TrunkAngles,
            "deg" if has(&["shoulder_", "elbow", "arm_slot"]) => Self::ArmAngles,
            "deg" => Self::LegAngles,
            _ if id.contains("energy") => Self::Energies,
            _ => Self::Lengths,
        }
    }
}

/// How large a figure's root mean square error may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Goal {
    /// In the figure's own unit, at true events and at those found.
    Own(f64, f64),
    /// Percent of the true value.
    Percent(f64),
}

impl Goal {
    /// The goal of a metric, if there is one.
    pub(crate) fn of(id: &str, unit: &str) -> Option<Self> {
        let is = |part: &str| id.contains(part);
        match unit {
            "deg" if id == "max_shoulder_external_rotation_deg" => Some(Self::Own(6.0, 6.0)),
            "deg" if is("drive_hip_rotation") || is("horizontal_abduction") || is("elbow_flexion") => {
                Some(Self::Own(4.5, 4.5))
            }
            "deg" => Some(Self::Own(3.0, 4.0)),
            "s" if is("delay") || is("onset") || is("lift") || is("peak_to") => Some(Self::Own(0.015, 0.015)),
            "%" if id == "stride_length_pct_height" => Some(Self::Own(1.0, 1.0)),
            _ if id == "ball_speed_m_s" => Some(Self::Percent(2.0)),
            _ if id == "peak_hand_speed_m_s" => Some(Self::Percent(5.0)),
            _ if is("peak_pelvis_rotation_speed") || is("peak_trunk_rotation_speed") => {
                Some(Self::Percent(8.0))
            }
            _ if is("peak_elbow_extension_speed") || is("internal_rotation_speed") => {
                Some(Self::Percent(12.0))
            }
            _ if is("trunk_kinetic_energy") || is("arm_kinetic_energy") => Some(Self::Percent(10.0)),
            _ => None,
        }
    }
}

/// The goal of an event, seconds.
pub(crate) fn event_goal_s(event: &str) -> Option<f64> {
    match event {
        "foot_contact" | "ball_release" => Some(0.0042),
        "max_external_rotation" => Some(0.006),
        "peak_knee_lift" => Some(0.015),
        _ => None,
    }
}
