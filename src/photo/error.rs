//! Why a file did not become a photo: one variant a reason, each one line in workshop words.

use thiserror::Error;

/// Why a file was refused as a photo. `Display` is one line without the file's name: what is wrong, then the way out.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PhotoError {
    /// Nothing by that name.
    #[error("photo file not found: check the name and the folder")]
    NotFound,
    /// A folder was given.
    #[error("this is a folder, not a photo: give the photo file inside it")]
    Folder,
    /// The system would not let the file be read.
    #[error(
        "the file can't be read ({why}): check its permissions or copy it to this machine first"
    )]
    Unreadable {
        /// The system's reason.
        why: String,
    },
    /// A file of no bytes.
    #[error("the file is empty (0 bytes): copy the photo from the phone again")]
    Empty,
    /// Neither a photo nor a known relative of one.
    #[error(
        "not a photo: the file is not an image in JPEG, PNG, TIFF or WebP format; give the phone's own JPEG"
    )]
    NotAnImage,
    /// The iPhone's and others' high-efficiency formats.
    #[error(
        "a {kind} photo can't be read: set the phone's camera to 'most compatible' (JPEG), or export this photo as JPEG"
    )]
    Heic {
        /// `HEIC`, `HEIF` or `AVIF (HEIF)`.
        kind: &'static str,
    },
    /// A known format in a kind that is not handled.
    #[error("{what} can't be read: export the photo as an ordinary 8-bit JPEG and give that")]
    Unsupported {
        /// What it is, beginning with an article.
        what: String,
    },
    /// The file ends before the picture does, or contradicts itself.
    #[error(
        "the {format} file is damaged or cut short ({why}): copy the original from the phone again"
    )]
    Damaged {
        /// Format by its first bytes.
        format: &'static str,
        /// Where it broke.
        why: String,
    },
    /// More pixels than allowed, by the header.
    #[error(
        "the picture is too large: {width} x {height} is {megapixels:.0} megapixels, the limit is {limit:.0}; take it with the phone's ordinary camera setting"
    )]
    TooLarge {
        /// Stored width, px.
        width: u64,
        /// Stored height, px.
        height: u64,
        /// Width × height / 10⁶.
        megapixels: f64,
        /// The limit, megapixels.
        limit: f64,
    },
    /// More bytes than a photo of the allowed size can need.
    #[error(
        "the file is too large: {megabytes:.0} MB, a photo takes at most {limit:.0} MB; give the phone's own JPEG"
    )]
    TooManyBytes {
        /// Size of the file, MB.
        megabytes: f64,
        /// The limit, MB.
        limit: f64,
    },
    /// A width or height of zero.
    #[error(
        "the picture has zero size ({width} x {height} pixels): copy the original from the phone again"
    )]
    ZeroSize {
        /// Stored width, px.
        width: u64,
        /// Stored height, px.
        height: u64,
    },
    /// A picture that needs more working memory than a photo may take.
    #[error(
        "the {format} file asks for more memory than a photo needs: export the photo as an ordinary 8-bit JPEG"
    )]
    TooMuchMemory {
        /// Format by its first bytes.
        format: &'static str,
    },
}
