package quantize

// Pixels is a picture as quantising sees it: plain upright sRGB pixels and what is known of their coding.
type Pixels struct {
	W, H int
	Pix  []uint8 // R,G,B,A a pixel with A = 255, row by row, len 4*W*H
	// Clear marks pixels that were mostly transparent in the source; nil when none were. Row by row, len W*H.
	Clear      []bool
	Lossy      bool  // coded with loss (JPEG and the like)
	Subsampled bool  // chroma stored at lower resolution than luma
	Luma       *Luma // as it was coded, nil where that is not known
}

// Options steer quantising. The zero value finds everything out.
type Options struct {
	Colours int      // number of colours, paper included; 0 finds it, else 2..64
	Palette []Swatch // locked palette; overrides Colours
	Medium  Medium
	Workers int // goroutines; 0 means runtime.GOMAXPROCS(0). The result does not depend on it
	// Spent says that nobody will look at the pixels again: FlattenPaper may write over them, which saves the memory of
	// another bitmap.
	Spent bool
}
