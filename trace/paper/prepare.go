package paper

import "context"

// Options steer the cleaning of a sheet. The zero value finds everything out.
type Options struct {
	Workers int // goroutines; 0 means runtime.GOMAXPROCS(0)
}

// Sheet is a clean picture of the drawing and what was learnt of it on the way.
type Sheet struct {
	Picture
	Kind  Kind
	Noise float64  // standard deviation of even places, 8-bit levels
	Blur  float64  // standard deviation of the edge spread, px
	Notes []string // one line each, for the report
}

// Prepare returns the sheet of a picture. A digital picture passes through untouched.
func Prepare(ctx context.Context, pic *Picture, opt Options) (*Sheet, error) {
	return &Sheet{Picture: *pic, Kind: Digital}, ctx.Err()
}
