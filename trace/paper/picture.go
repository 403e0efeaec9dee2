package paper

import "pochoir/quantize"

// Picture is an upright, opaque sRGB picture and what is known of it.
type Picture struct {
	W, H int
	Pix  []uint8 // R,G,B,A a pixel with A = 255, row by row, len = 4*W*H; transparency already lies on white paper
	// Clear marks pixels that were mostly transparent (alpha < 128) in the source; nil when none were. Row by row,
	// len W*H.
	Clear      []bool
	Name       string // of the source, for messages
	Format     string // "png", "jpeg", "tiff", ...
	Lossy      bool   // coded with loss (JPEG, lossy WebP, HEIC)
	Subsampled bool   // chroma stored at lower resolution than luma
	// Luma is what a JPEG says of the blocks of its luma, nil where nothing is known, or the pixels are not as decoded.
	Luma    *quantize.Luma
	DPI     float64 // pixels an inch by the file, 0 when unknown
	Focal35 float64 // 35 mm equivalent focal length by EXIF in mm, 0 when unknown
	Camera  bool    // EXIF carries exposure data: a camera took it
	// Plate is the kind of the page that the picture was cut from and straightened on (see Page.Cut); KindAuto for any
	// other picture.
	Plate Kind
}
