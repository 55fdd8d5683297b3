//! One phone's lens with its quality: made once from close views, or within a calibration of both.

use crate::calibrate::CalibrateSettings;
use crate::calibrate::bundle::{LENS, lens_numbers};
use crate::calibrate::corners::{BoardView, median};
use crate::calibrate::error::CalibrateError;
use crate::calibrate::film::Film;
use crate::calibrate::intrinsics::{
    DistortionOrder, LensFit, MIN_VIEWS, board_share, coverage, fit_lens, median_blur_px, observed, slant_deg,
};
use crate::calibrate::robust::Fit;
use crate::calibrate::select::lens_views;
use crate::calibrate::verdict::Judgement;
use crate::geometry::{Camera, Phone};

/// How a lens was seen and how well it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct LensQuality {
    /// Root mean square distance of a corner in this phone's pictures, pixels (as OpenCV's).
    pub rms_px: f64,
    /// Pictures used.
    pub pictures: usize,
    /// Standard deviations of `fx fy cx cy k1 k2 p1 p2 k3`; 0 for a coefficient held at 0, `None` when undetermined.
    pub sd: Option<[f64; LENS]>,
    /// Root mean square distance in views kept out of the fit, pixels.
    pub hold_out_px: Option<f64>,
    /// Share of the picture's 6 x 4 cells in which corners were seen.
    pub coverage: f64,
    /// Largest board seen: its diagonal as a share of the picture's longer side.
    pub largest_share: f64,
    /// Largest slant of the board to the line of sight, degrees (0 is face on).
    pub max_slant_deg: f64,
    /// Median blur of the edges, pixels, and as a share of a square.
    pub blur_px: f64,
    /// The same as a share of a square's side.
    pub blur_share: f64,
}

/// One phone's lens in one video mode.
#[derive(Clone, Debug, PartialEq)]
pub struct Lens {
    /// The lens.
    pub camera: Camera,
    /// Which distortion coefficients the views supported.
    pub order: DistortionOrder,
    /// Frame rate of the recording; another rate may crop differently.
    pub rate_hz: Option<f64>,
    /// How well it is known.
    pub quality: LensQuality,
    /// Whether to use it.
    pub judgement: Judgement,
}

/// Makes one phone's lens from a film of the board shown close.
///
/// # Errors
/// [`CalibrateError::BoardUnfit`], [`CalibrateError::BoardNotSeen`], [`CalibrateError::TooFewViews`],
/// [`CalibrateError::NotSolved`].
pub fn lens(film: &Film, settings: &CalibrateSettings) -> Result<Lens, CalibrateError> {
    settings.board.check()?;
    let (views, fitted) = fitted_lens(film, Phone::Left, settings)?;
    let poses: Vec<_> = fitted
        .fit
        .bundle
        .views
        .iter()
        .map(|v| slant_deg(&v.pose, &settings.board))
        .collect();
    let mut quality = seen_quality(&views, film, poses.iter().copied().fold(0.0, f64::max));
    quality.rms_px = fitted.fit.rms_px;
    quality.sd = sds(&fitted.fit, 0);
    quality.hold_out_px = fitted.hold_out_px;
    let camera = fitted.camera();
    Ok(Lens {
        camera,
        order: fitted.order,
        rate_hz: film.rate_hz,
        judgement: judge(&camera, &quality, "the"),
        quality,
    })
}

/// The chosen views of a film and the lens they make.
pub(super) fn fitted_lens<'a>(
    film: &'a Film,
    phone: Phone,
    settings: &CalibrateSettings,
) -> Result<(Vec<&'a BoardView>, LensFit), CalibrateError> {
    film.refuse_unseen(phone)?;
    let views = lens_views(film, settings.board.cols);
    if views.len() < MIN_VIEWS {
        return Err(CalibrateError::TooFewViews {
            phone,
            found: views.len(),
            needed: MIN_VIEWS,
        });
    }
    let seen: Vec<_> = views.iter().map(|v| observed(v, &settings.board)).collect();
    let fitted = fit_lens(&seen, film.size(), settings.distortion).ok_or(CalibrateError::NotSolved)?;
    Ok((views, fitted))
}

/// What the views alone say of quality; the fit's part is still empty.
pub(super) fn seen_quality(views: &[&BoardView], film: &Film, max_slant_deg: f64) -> LensQuality {
    LensQuality {
        rms_px: 0.0,
        pictures: views.len(),
        sd: None,
        hold_out_px: None,
        coverage: coverage(views, film.size()),
        largest_share: views
            .iter()
            .map(|v| board_share(v, film.size()))
            .fold(0.0, f64::max),
        max_slant_deg,
        blur_px: median_blur_px(views),
        blur_share: median(views.iter().map(|v| v.blur_px / v.spacing_px.max(1.0))),
    }
}

/// Standard deviations of one phone's nine numbers.
pub(super) fn sds(fit: &Fit, phone: usize) -> Option<[f64; LENS]> {
    let mut sd = [0.0; LENS];
    for (i, s) in sd.iter_mut().enumerate() {
        *s = fit.sd(phone * LENS + i)?;
    }
    Some(sd)
}

/// Judges a lens; `whose` is "the", "the left phone's"...
pub(super) fn judge(camera: &Camera, quality: &LensQuality, whose: &str) -> Judgement {
    let mut judgement = Judgement::default();
    const CLOSE: &str =
        "show the board close (1.5-3 m) to each phone, in all parts of the picture, or give a lens file";
    let focal_doubt = quality.sd.map_or(1.0, |sd| {
        let n = lens_numbers(camera);
        (sd[0] / n[0]).max(sd[1] / n[1])
    });
    judgement.weigh(
        1.0 / quality.largest_share.max(1e-3),
        1.0 / 0.2,
        1.0 / 0.12,
        "board_far",
        format!(
            "{whose} lens was made from far views only: the board spans at most {:.0} % of the picture",
            100.0 * quality.largest_share
        ),
        CLOSE,
    );
    judgement.weigh(
        90.0 - quality.max_slant_deg,
        90.0 - 30.0,
        90.0 - 15.0,
        "board_frontal",
        format!(
            "{whose} lens was made from views nearly face on (largest slant {:.0} degrees)",
            quality.max_slant_deg
        ),
        "tilt the board 30 to 50 degrees to and fro and to both sides",
    );
    judgement.weigh(
        focal_doubt,
        0.003,
        0.01,
        "focal_length_doubtful",
        format!(
            "{whose} focal length is known to {:.1} % only",
            100.0 * focal_doubt
        ),
        CLOSE,
    );
    judgement.weigh(
        1.0 - quality.coverage,
        1.0 - 0.5,
        1.0 - 0.15,
        "coverage_small",
        format!(
            "{whose} lens is known in {:.0} % of the picture only",
            100.0 * quality.coverage
        ),
        "move the board through all corners of the picture",
    );
    judgement.weigh(
        quality.blur_share,
        0.15,
        0.3,
        "blurred",
        format!(
            "{whose} views are blurred ({:.1} px, {:.0} % of a square)",
            quality.blur_px,
            100.0 * quality.blur_share
        ),
        "hold the board still for a second in each place, with more light",
    );
    let scale = f64::from(camera.width_px.max(camera.height_px)) / 1280.0;
    judgement.weigh(
        quality.rms_px / scale,
        0.6,
        1.5,
        "residual_large",
        format!("{whose} lens misses the corners by {:.2} px", quality.rms_px),
        "use a stiff, flat board and switch video stabilisation off",
    );
    judgement.weigh(
        1.0 / quality.pictures.max(1) as f64,
        1.0 / 10.0,
        1.0 / MIN_VIEWS as f64,
        "few_views",
        format!("{whose} lens was made from {} views", quality.pictures),
        "show the board in 20 or more different places and slants",
    );
    judgement
}
