//! What a made-up photo shows: plain data, all of it public, with a plain default.
//!
//! Panel frame: millimetres, x right along the swage, y down (as card +y), z into the panel. The flank that carries
//! the cards lies in the plane z = 0 before the panel is bowed; the crest runs near y = 0. Colours are linear-light
//! sRGB, 0 to 1.

use crate::card::Layout;
use crate::lens::Lens;

/// A line scene: one panel (or two with a gap), its paint, cards, light, camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Draws the surface: mottle, coat, raggedness. The same in every photo of the same panel.
    pub surface_seed: u64,
    /// Draws the noise of this photo.
    pub photo_seed: u64,
    /// The metal.
    pub panel: Panel,
    /// What makes the line visible.
    pub look: Look,
    /// Colours and clutter.
    pub dress: Dress,
    /// Cards on the flank.
    pub cards: Vec<PlacedCard>,
    /// The light.
    pub light: Light,
    /// Where the camera stands.
    pub pose: Pose,
    /// The camera's lens in the frame of the upright photo; its width and height are the photo's.
    pub lens: Lens,
    /// From light to 8 bits.
    pub develop: Develop,
}

/// Two flanks meeting in a crest (or a root).
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Left end, x, mm.
    pub from_mm: f64,
    /// Right end, x, mm.
    pub to_mm: f64,
    /// Reach above the crest, mm.
    pub above_mm: f64,
    /// Reach below the crest, mm.
    pub below_mm: f64,
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// Radius of the arc between the flanks at the left and the right end, mm; runs straight between.
    pub radius_mm: [f64; 2],
    /// An inner corner instead of an outer edge: the other flank comes toward the camera.
    pub root: bool,
    /// Cards (and the plane z = 0) below the line; else above.
    pub cards_below: bool,
    /// Bow in plan: sagitta of a circle over a chord of 1 m, mm; positive: ends away from the camera.
    pub bow_mm_per_m: f64,
    /// Waves of the crest.
    pub waves: Vec<Wave>,
    /// Single dents and humps of the crest.
    pub dents: Vec<Dent>,
    /// Slope of the whole crest, degrees, positive: right end lower.
    pub slope_deg: f64,
    /// A gap between two panels.
    pub gap: Option<Gap>,
}

/// One sine wave of the crest: `amplitude * sin(2 pi x / wavelength + phase)`, positive down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Amplitude, mm.
    pub amplitude_mm: f64,
    /// Wavelength, mm.
    pub wavelength_mm: f64,
    /// Phase, radians.
    pub phase: f64,
}

/// One bell-shaped dent: `height * exp(-(x - at)^2 / (2 sigma^2))`, positive down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dent {
    /// Height, mm.
    pub height_mm: f64,
    /// Middle, x, mm.
    pub at_mm: f64,
    /// Standard deviation, mm.
    pub sigma_mm: f64,
}

/// A gap between panels; the right panel's crest is moved and turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// Middle, x, mm.
    pub at_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// The right crest lies this much lower, mm.
    pub step_mm: f64,
    /// The right crest turns down by this, degrees.
    pub angle_deg: f64,
}

/// What makes the line visible.
#[derive(Debug, Clone, PartialEq)]
pub enum Look {
    /// Tape with one edge along the crest.
    Tape {
        /// Its colour.
        colour: [f64; 3],
        /// Lies below the crest; else above.
        below: bool,
        /// Width, mm.
        width_mm: f64,
    },
    /// Guide coat left on one side, sanded off the other.
    Coat(Coat),
    /// Only the flanks' different shade.
    Shade,
    /// Both flanks blocked over guide coat: what is left in the arc is a stripe.
    Stripe(Stripe),
}

/// Coat left in the arc between the flanks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stripe {
    /// Its colour.
    pub colour: [f64; 3],
    /// How much of the ground it hides, 0 to 1.
    pub strength: f64,
    /// Standard deviation of its borders about the ends of the arc, mm.
    pub raggedness_mm: f64,
    /// Their correlation length, mm (autocorrelation 1/e).
    pub correlation_mm: f64,
    /// Softness of its borders: standard deviation of the blend, mm.
    pub softness_mm: f64,
}

/// A dusted coat with a ragged edge along the crest.
#[derive(Debug, Clone, PartialEq)]
pub struct Coat {
    /// Its colour.
    pub colour: [f64; 3],
    /// Lies below the crest; else above.
    pub below: bool,
    /// How wide the band is on average, mm.
    pub width_mm: f64,
    /// How much of the ground it hides where it is thick, 0 to 1.
    pub strength: f64,
    /// How patchy, 0 to 1.
    pub patchy: f64,
    /// Standard deviation of the edge about the crest, mm.
    pub raggedness_mm: f64,
    /// Its correlation length, mm (autocorrelation 1/e).
    pub correlation_mm: f64,
    /// Softness of the edge: standard deviation of the blend, mm.
    pub softness_mm: f64,
    /// Bites out of the edge.
    pub chips: Vec<Chip>,
}

/// A bite out of the coat's edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chip {
    /// From x, mm.
    pub from_mm: f64,
    /// To x, mm.
    pub to_mm: f64,
    /// Depth into the coat, mm (negative: coat smeared over the crest).
    pub depth_mm: f64,
}

/// Colours and clutter of the panel and what is behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Dress {
    /// Ground: primer or filler.
    pub ground: [f64; 3],
    /// Relative strength of the cloudy variation of the ground (spread).
    pub mottle: f64,
    /// Relative strength of its fine grain (spread).
    pub grain: f64,
    /// Patches of another ground (filler on primer).
    pub patches: Option<[f64; 3]>,
    /// Masking paper.
    pub paper: Option<Paper>,
    /// Dark spots (drilled holes, dirt): x, y, radius, mm.
    pub spots: Vec<[f64; 3]>,
    /// Scratches: x0, y0, x1, y1, mm.
    pub scratches: Vec<[f64; 4]>,
    /// Brightness of wall and bench behind, relative.
    pub backdrop: [f64; 3],
    /// Top of the bench in front of the wall, y, mm.
    pub bench_mm: f64,
}

/// Masking paper with a long straight edge: something that looks like a line and is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paper {
    /// Its colour.
    pub colour: [f64; 3],
    /// Covers the part below the line; else above.
    pub below: bool,
    /// Distance of its edge from y = 0 in the middle, mm.
    pub at_mm: f64,
    /// Slope of its edge, degrees.
    pub slope_deg: f64,
}

/// A card laid on the flank.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedCard {
    /// What is printed.
    pub layout: Layout,
    /// Middle of the printed squares: distance along the bowed flank from x = 0, and y; mm.
    pub centre_mm: [f64; 2],
    /// Turned clockwise in its plane, degrees.
    pub turn_deg: f64,
    /// Stiff: stays flat and touches the bowed panel in the card's middle. Else it follows the bow.
    pub stiff: bool,
    /// Printed size over nominal size, along card x and y.
    pub print_scale: [f64; 2],
}

/// Even light from one direction plus light from everywhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Direction it comes from: degrees up from the flank's normal.
    pub up_deg: f64,
    /// Direction it comes from: degrees right of the flank's normal.
    pub right_deg: f64,
    /// Share that comes from everywhere, 0 to 1.
    pub ambient: f64,
    /// Ratio of brightness across 1300 mm, 1 = even.
    pub gradient: f64,
    /// Direction in which it grows brighter, degrees clockwise from x.
    pub gradient_deg: f64,
}

/// Where the camera stands and looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Camera above the line: angle at the line between the flank's normal and the camera, degrees.
    pub elevation_deg: f64,
    /// Camera to the right, degrees.
    pub yaw_deg: f64,
    /// Camera turned about its axis, degrees (positive: picture turns anticlockwise).
    pub roll_deg: f64,
    /// Distance from (aim x, 0, 0), mm.
    pub distance_mm: f64,
    /// Point of the plane z = 0 in the photo's middle, mm.
    pub aim_mm: [f64; 2],
}

/// From light to 8 bits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Develop {
    /// Blur of lens and focus, standard deviation, px.
    pub psf_sigma_px: f64,
    /// Brightness falls as cos of the ray's angle to this power.
    pub vignetting_power: f64,
    /// Factor on linear light.
    pub exposure: Exposure,
    /// Fine unevenness of the light, as blurred as the picture and alike in all colours: relative standard deviation.
    /// It stands for what a rough matt surface and a phone's smoothing leave of noise: correlated from pixel to pixel.
    pub shimmer: f64,
    /// Factors on red, green, blue.
    pub white_balance: [f64; 3],
    /// Noise of the read-out, linear light (standard deviation).
    pub read_noise: f64,
    /// Electrons at linear light 1 (shot noise).
    pub full_well: f64,
    /// Stored as JPEG.
    pub jpeg: Option<Jpeg>,
    /// EXIF orientation under which it is stored, 1 to 8.
    pub orientation: u8,
}

/// How bright the photo is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Exposure {
    /// A factor on linear light.
    Factor(f64),
    /// Brings this share of the pixels, by their brightest channel, below a level of linear light, as an automatic
    /// exposure does; what lies above may be blown out.
    Auto {
        /// Share of pixels, 0 to 1.
        share: f64,
        /// Level, linear light.
        level: f64,
    },
}

/// JPEG storage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Jpeg {
    /// Quality 1 to 100 (the common scale of quantisation tables).
    pub quality: u8,
    /// Colour at half size (4:2:0).
    pub halved: bool,
}

impl Default for Panel {
    /// A straight, flat-in-plan panel 1.3 m long, 20° turn, 6 mm radius, cards below.
    fn default() -> Self {
        Panel {
            from_mm: -650.0,
            to_mm: 650.0,
            above_mm: 260.0,
            below_mm: 220.0,
            turn_deg: 20.0,
            radius_mm: [6.0, 6.0],
            root: false,
            cards_below: true,
            bow_mm_per_m: 0.0,
            waves: Vec::new(),
            dents: Vec::new(),
            slope_deg: 0.0,
            gap: None,
        }
    }
}

impl Default for Coat {
    /// Black, above the line, 80 mm wide.
    fn default() -> Self {
        Coat {
            colour: [0.03, 0.03, 0.03],
            below: false,
            width_mm: 80.0,
            strength: 0.85,
            patchy: 0.5,
            raggedness_mm: 0.08,
            correlation_mm: 1.0,
            softness_mm: 0.35,
            chips: Vec::new(),
        }
    }
}

impl Default for Dress {
    /// Light primer, lightly mottled, nothing else on it.
    fn default() -> Self {
        Dress {
            ground: [0.45, 0.46, 0.46],
            mottle: 0.03,
            grain: 0.02,
            patches: None,
            paper: None,
            spots: Vec::new(),
            scratches: Vec::new(),
            backdrop: [0.06, 0.06, 0.06],
            bench_mm: 330.0,
        }
    }
}

impl Default for Light {
    /// From 30° above, a third from everywhere, even.
    fn default() -> Self {
        Light {
            up_deg: 30.0,
            right_deg: 10.0,
            ambient: 0.35,
            gradient: 1.0,
            gradient_deg: 0.0,
        }
    }
}

impl Default for Pose {
    /// Level with the line, square to it, 0.9 m away.
    fn default() -> Self {
        Pose {
            elevation_deg: 0.0,
            yaw_deg: 0.0,
            roll_deg: 0.0,
            distance_mm: 900.0,
            aim_mm: [0.0, 0.0],
        }
    }
}

impl Default for Develop {
    /// A good phone photo that was never stored as a file.
    fn default() -> Self {
        Develop {
            psf_sigma_px: 0.8,
            vignetting_power: 1.5,
            exposure: Exposure::Auto {
                share: 0.99,
                level: 0.8,
            },
            shimmer: 0.0,
            white_balance: [1.0; 3],
            read_noise: 0.0012,
            full_well: 6000.0,
            jpeg: None,
            orientation: 1,
        }
    }
}

impl Default for Scene {
    /// Blue tape above the crest of a plain panel, no card, 1008 × 756.
    fn default() -> Self {
        Scene {
            surface_seed: 1,
            photo_seed: 1,
            panel: Panel::default(),
            look: Look::Tape {
                colour: [0.06, 0.22, 0.62],
                below: false,
                width_mm: 19.0,
            },
            dress: Dress::default(),
            cards: Vec::new(),
            light: Light::default(),
            pose: Pose::default(),
            lens: Lens::pinhole(1008, 756, 760.0),
            develop: Develop::default(),
        }
    }
}
