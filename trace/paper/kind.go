package paper

// Kind is where the pixels of a picture come from.
type Kind int

const (
	KindAuto Kind = iota // find out
	Digital              // drawn on a computer: flat colours repeat exactly
	Scan                 // paper on a scanner: even light, no desk
	Snapshot             // paper before a camera
)

func (k Kind) String() string {
	switch k {
	case Digital:
		return "digital"
	case Scan:
		return "scan"
	case Snapshot:
		return "snapshot"
	}
	return "auto"
}

// repetition counts what tells a digital picture from paper: in paper no two neighbours are quite alike, for the sensor
// adds noise and the fibres texture; on a computer an area of one colour is exactly that, and even JPEG coding gives
// every block of 8×8 that lies inside it back as one exact colour.
type repetition struct {
	flat, smooth int     // windows of 4×4 pixels that are one exact colour; that vary by at most smoothRange levels
	colours      int     // colours that make up nine tenths of the flat windows
	white        int     // flat windows of pure white or pure black: a sensor's or a scanner's clipping makes them too
	roughness    float64 // mean absolute second difference over the smooth windows, levels
}
