//! Both arms: the curves of their joint angles, and how bones are turned to show them.

use super::arm_chain::ArmAngles;
use super::curves::Curve;
use super::phases::Phases;
use super::style::{Nature, Style};

/// One arm's angles over time, degrees, with zeros and signs as the metrics of the same names (the glove arm's as if it
/// were mirrored).
#[derive(Clone, Debug)]
pub(super) struct ArmCurves {
    abduction_deg: Curve,
    /// Positive: the elbow in front of the line of the shoulders.
    adduction_deg: Curve,
    external_rotation_deg: Curve,
    elbow_flexion_deg: Curve,
    /// 0: the palm faces forward when the upper arm is out and the forearm up; positive turns it away from the head.
    pronation_deg: Curve,
    /// Positive toward the palm.
    wrist_flexion_deg: Curve,
    /// The collar bone raised.
    shrug_deg: Curve,
    /// The collar bone brought forward.
    protraction_deg: Curve,
}

impl ArmCurves {
    /// Angles at an instant, radians.
    pub(super) fn at(&self, t_s: f64) -> ArmAngles {
        let read = |curve: &Curve| curve.at(t_s).to_radians();
        ArmAngles {
            abduction: read(&self.abduction_deg),
            adduction: read(&self.adduction_deg),
            external_rotation: read(&self.external_rotation_deg),
            elbow_flexion: read(&self.elbow_flexion_deg),
            pronation: read(&self.pronation_deg),
            wrist_flexion: read(&self.wrist_flexion_deg),
            shrug: read(&self.shrug_deg),
            protraction: read(&self.protraction_deg),
        }
    }

    /// The throwing arm: together with the glove, down and back, up, cocked, laid back, whipped, across the body.
    pub(super) fn throwing(style: &Style, phases: &Phases, nature: &mut Nature) -> Self {
        let p = phases;
        let out = 96.0 + nature.offset(4.0);
        let up = 55.0 + nature.offset(8.0);
        let laid_back = 176.0 + nature.offset(4.0);
        let bent = 92.0 - 40.0 * style.straight_elbow + nature.offset(5.0);
        Self {
            abduction_deg: Curve::from(34.0)
                .to(p.windup(0.2), p.knee_lift_s, 38.0)
                .to(p.stride(0.12), p.stride(0.55), 27.0)
                .to(p.stride(0.45), p.drive(-0.01), out)
                .to(p.drive(0.145), p.drive(0.42), 72.0),
            adduction_deg: Curve::from(48.0)
                .to(p.stride(0.12), p.stride(0.60), -14.0)
                .to(p.stride(0.6), p.drive(0.01), -22.0)
                .to(p.drive(0.0), p.drive(0.12), 3.0)
                .to(p.drive(0.146), p.drive(0.38), 102.0),
            external_rotation_deg: Curve::from(24.0)
                .to(p.stride(0.12), p.stride(0.60), 2.0)
                .to(p.stride(0.62), p.drive(0.06), up + 12.0)
                .to(p.drive(0.0), p.drive(0.127), laid_back)
                .to(p.drive(0.1225), p.drive(0.1695), 56.0)
                .to(p.drive(0.155), p.drive(0.38), 2.0),
            elbow_flexion_deg: Curve::from(112.0)
                .to(p.stride(0.12), p.stride(0.55), 24.0)
                .to(p.stride(0.52), p.drive(0.01), bent)
                .to(p.drive(0.095), p.drive(0.160), 20.0)
                .to(p.drive(0.20), p.drive(0.50), 42.0),
            pronation_deg: Curve::from(0.0)
                .to(p.stride(0.15), p.stride(0.65), 55.0)
                .to(p.stride(0.75), p.drive(0.10), 0.0)
                .to(p.drive(0.14), p.drive(0.24), 65.0),
            wrist_flexion_deg: Curve::from(16.0)
                .to(p.stride(0.15), p.stride(0.6), 0.0)
                .to(p.drive(-0.05), p.drive(0.11), -30.0)
                .to(p.drive(0.112), p.drive(0.185), 18.0)
                .to(p.drive(0.22), p.drive(0.5), 10.0),
            shrug_deg: Curve::from(0.0).to(p.stride(0.5), p.drive(0.0), 12.0).to(
                p.drive(0.15),
                p.drive(0.4),
                0.0,
            ),
            protraction_deg: Curve::from(8.0)
                .to(p.stride(0.15), p.drive(0.0), -12.0)
                .to(p.drive(0.06), p.drive(0.16), -2.0)
                .to(p.drive(0.12), p.drive(0.35), 18.0),
        }
    }

    /// The glove arm: out toward the target, then tucked while the trunk turns.
    pub(super) fn glove(style: &Style, phases: &Phases, nature: &mut Nature) -> Self {
        let p = phases;
        let (pull, size) = (style.glove_pull, style.glove_pull.sqrt());
        let out = 84.0 + nature.offset(5.0);
        // Pulling: the elbow is thrown back and down before contact instead of being tucked after it.
        let tuck_from = p.drive(-0.02 - 0.15 * pull);
        let tuck_to = p.drive(0.17 - 0.19 * pull);
        Self {
            abduction_deg: Curve::from(34.0)
                .to(p.windup(0.2), p.knee_lift_s, 38.0)
                .to(p.stride(0.2), p.stride(0.82 - 0.1 * pull), out)
                .to(tuck_from, tuck_to, 42.0 - 21.0 * size)
                .to(p.drive(0.2), p.drive(0.6), 34.0),
            adduction_deg: Curve::from(48.0)
                .to(p.stride(0.2), p.stride(0.85 - 0.1 * pull), -4.0)
                .to(tuck_from, tuck_to, 6.0 - 64.0 * size)
                .to(p.drive(0.2), p.drive(0.6), -12.0),
            external_rotation_deg: Curve::from(24.0).to(p.stride(0.2), p.stride(0.85), 16.0).to(
                tuck_from,
                p.drive(0.18),
                62.0,
            ),
            elbow_flexion_deg: Curve::from(112.0)
                .to(p.stride(0.2), p.stride(0.85), 48.0 + nature.offset(6.0))
                .to(tuck_from, p.drive(0.16), 118.0),
            pronation_deg: Curve::from(0.0).to(p.stride(0.2), p.stride(0.85), 45.0).to(
                p.drive(-0.02),
                p.drive(0.16),
                0.0,
            ),
            wrist_flexion_deg: Curve::from(16.0),
            shrug_deg: Curve::from(0.0).to(p.stride(0.3), p.stride(0.9), 8.0).to(
                p.drive(0.0),
                p.drive(0.2),
                0.0,
            ),
            protraction_deg: Curve::from(8.0).to(p.drive(0.0), p.drive(0.2), -4.0),
        }
    }
}
