package trace

import "pochoir/quantize"

// Options steer a trace. The zero value does the right thing for every kind of picture.
type Options struct {
	Colours    int               // number of colours, paper included; 0 finds it, else 2..64
	Palette    []quantize.Swatch // locked palette; overrides Colours
	Smoothness *float64          // 0..100; nil means DefaultSmoothness
	Turn       *float64          // degrees, 0..180: the sharpest turn still drawn round; nil means DefaultTurn
	Dust       *float64          // px across: the smallest mark kept; nil means DefaultDust
	Medium     quantize.Medium
	KeepPaper  bool // paint the paper instead of dropping it
	Knockout   bool // cut neighbours exactly instead of spreading lower layers under upper ones
	Workers    int  // goroutines; 0 means runtime.GOMAXPROCS(0). The result does not depend on it
}

// Defaults read by flags, recipes and documentation.
const (
	DefaultSmoothness = 50.0 // neutral: the tolerance follows the measured noise
	DefaultTurn       = 28.0 // degrees
	DefaultDust       = 1.0  // px
)
