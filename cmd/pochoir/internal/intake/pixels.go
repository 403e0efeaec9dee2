package intake

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"pochoir/cmd/pochoir/internal/intake/jpegread"
	"pochoir/quantize"
	"pochoir/quantize/large"
	"pochoir/quantize/mosaic"
	"pochoir/trace/paper"
)

// clearBelow is the alpha, of 255, under which a pixel counts as paper rather than paint.
const clearBelow = 128

// errPaletteIndex reports a pixel that names no entry of the palette.
var errPaletteIndex = errors.New("a pixel names a colour that the palette does not have")

// rows yields the pixels of a decoded picture as opaque sRGB. row fills dst (R,G,B,A a pixel, one row) with row y laid
// on white paper, and marks in clear (one entry a pixel, nil when not asked for) what was mostly transparent. It may be
// called for different rows at once.
type rows struct {
	w, h        int
	transparent bool // some pixel may be
	row         func(y int, dst []uint8, clear []bool)
	// own, where not nil, is a bitmap of at least 4*w*h bytes that may be overwritten: pixel i of the source lies at or
	// after byte 4*i, so rows may be converted in place, from the first row to the last.
	own     []uint8
	ordered bool // in place only one row after the other; else rows lie exactly at their place
	ready   bool // own holds the result already
}

// toPicture converts a decoded picture to an upright, opaque one. Where the decoder's bitmap has the right layout it is
// taken over; otherwise rows are converted straight to their upright place, so that at no time more than the decoded
// planes and one bitmap are held, or a few rows where it is decoded in bands.
func toPicture(px pixels, h header, opt Options) (*paper.Picture, error) {
	workers := opt.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	img := px.img
	if px.bands != nil {
		pic, err := fromBands(px, h, workers, opt.Mosaic)
		if err == nil {
			return pic, nil
		}
		if img, err = px.whole(); err != nil {
			return nil, err
		}
	}
	src, err := readRows(img, h)
	if err != nil {
		return nil, err
	}
	src.correct(h.profile())
	pic, turn := newPicture(src.w, src.h, h)
	if src.transparent {
		pic.Clear = make([]bool, src.w*src.h)
	}
	size := 4 * src.w * src.h
	switch {
	case turn == 1 && src.ready:
		pic.Pix = src.own[:size:size]
	case turn == 1 && src.own != nil:
		pic.Pix = src.own[:size:size]
		if src.ordered {
			workers = 1
		}
		eachBand(src.h, workers, func(y0, y1 int) { copyRows(pic, src, y0, y1) })
	case turn == 1:
		pic.Pix = large.Make[uint8](size)
		eachBand(src.h, workers, func(y0, y1 int) { copyRows(pic, src, y0, y1) })
	default:
		pic.Pix = large.Make[uint8](size)
		eachBand(src.h, workers, func(y0, y1 int) { turnRows(pic, src, turn, y0, y1) })
	}
	if !slices.Contains(pic.Clear, true) {
		pic.Clear = nil
	}
	return pic, nil
}

// newPicture returns an upright picture without pixels for one stored as w x h px, and how that is turned, 1 to 8.
func newPicture(w, ht int, h header) (pic *paper.Picture, turn int) {
	turn = max(h.turn, 1)
	if turn >= 5 {
		w, ht = ht, w
	}
	return &paper.Picture{
		W: w, H: ht, Lossy: h.lossy, Subsampled: h.subsampled, DPI: h.dpi, Focal35: h.focal35, Camera: h.camera,
		Plate: h.plate,
	}, turn
}

// fromBands makes an upright picture of one that is decoded in bands of whole rows, each straight to its place; a mosaic, if
// that is asked for and most of it is even.
func fromBands(px pixels, h header, workers int, tiled bool) (*paper.Picture, error) {
	pic, turn := newPicture(px.w, px.h, h)
	p := h.profile()
	luma := newCodedLuma(px.h)
	bitmap := sync.OnceFunc(func() { pic.Pix = large.Make[uint8](4 * px.w * px.h) })
	var tiles *tiling
	// Bands are a multiple of eight rows high, and tiles of sixteen pixels must not lie in two.
	if tiled && px.even && turn == 1 && px.w%2 == 0 {
		tiles = newTiling(px.w, px.h, workers)
	}
	err := px.bands(workers, func(band *image.YCbCr) {
		y0, y1 := band.Rect.Min.Y, band.Rect.Max.Y
		ycc := newYCCRows(band, h)
		src := rows{w: px.w, h: px.h, row: func(y int, dst []uint8, _ []bool) { ycc.row(y-y0, dst, nil) }}
		src.correct(p)
		if tiles.wanted() {
			if p == nil && px.w%mosaic.Span == 0 {
				tiles.fillYCC(ycc, y0, y1)
			} else {
				tiles.fill(src, y0, y1)
			}
			return
		}
		if bitmap(); turn == 1 {
			copyRows(pic, src, y0, y1)
		} else {
			turnRows(pic, src, turn, y0, y1)
		}
	}, luma.add)
	if err != nil {
		return nil, err
	}
	if tiles.wanted() {
		pic.Mosaic = tiles.m
	} else if tiles != nil {
		bitmap() // unless a band has made it, as none does after the last
		tiles.move(pic.Pix)
	}
	if turn == 1 && p == nil {
		pic.Luma = luma.all()
	}
	return pic, nil
}

// tiling fills a mosaic as long as it looks as if most of the picture were even.
type tiling struct {
	m      *mosaic.Mosaic
	w      int
	bufs   sync.Pool // rows on their way into tiles
	uneven atomic.Bool

	mu    sync.Mutex
	bands [][2]int // of rows, those filled in
	rows  int      // in all
}

func newTiling(w, h, workers int) *tiling {
	t := &tiling{m: mosaic.New(w*h, workers), w: w}
	t.bufs.New = func() any { return new(make([]uint8, 4*(w+mosaic.Span))) }
	return t
}

// wanted reports whether there is a mosaic, and most of what was filled in is even.
func (t *tiling) wanted() bool { return t != nil && !t.uneven.Load() }

// mostTiles is the share of the pixels in tiles from which a bitmap takes less time; it counts where more are filled in than
// enoughTiled, as fillers take some tiles in store.
const mostTiles, enoughTiled = 0.4, 1 << 18

// filled notes that rows y0 to y1 have been filled in.
func (t *tiling) filled(y0, y1 int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.bands = append(t.bands, [2]int{y0, y1})
	t.rows += y1 - y0
	if n := t.rows * t.w; n > enoughTiled && float64(t.m.Tiled()) > mostTiles*float64(n) {
		t.uneven.Store(true)
	}
}

// fill converts rows y0 to y1.
func (t *tiling) fill(src rows, y0, y1 int) {
	buf := t.bufs.Get().(*[]uint8)
	tileRows(t.m, src, y0, y1, *buf)
	t.bufs.Put(buf)
	t.filled(y0, y1)
}

// fillYCC does the same with rows of whole spans, the first of which is y0, in a band of its own.
func (t *tiling) fillYCC(ycc *yccRows, y0, y1 int) {
	f := t.m.Filler()
	for y := y0; y < y1; y++ {
		ycc.tileRow(f, y-y0, y*t.w)
	}
	f.Done()
	t.filled(y0, y1)
}

// move copies what was filled in into a bitmap.
func (t *tiling) move(pix []uint8) {
	for _, b := range t.bands {
		t.m.Copy(pix[4*b[0]*t.w:4*b[1]*t.w], b[0]*t.w)
	}
}

// codedLuma gathers blocks of luma as they were coded, from several goroutines at once.
type codedLuma struct {
	quantize.Luma
	once sync.Once
	n    atomic.Int64
}

// mostCoded is how many blocks are kept. What is made of them takes some 4 µs each and is worth most in small pictures,
// where corners are a few pixels apart: a drawing of 512 px has 4096 blocks, one of 12 megapixels 13,000 that are not even,
// and a photograph 190,000.
const mostCoded = 1 << 13

// mostCodedBytes is the length of a file from which none is gathered: one so long has more. A drawing of 12 megapixels
// takes some 40 bytes for each of its blocks that are not even, everything else counted in.
const mostCodedBytes = 40 * mostCoded

func newCodedLuma(h int) *codedLuma {
	return &codedLuma{Luma: quantize.Luma{Rows: make([][]quantize.LumaBlock, (h+7)/8)}}
}

// add takes a block; the blocks of a row must come one after the other.
func (c *codedLuma) add(b jpegread.Block) {
	if c.n.Load() > mostCoded || c.n.Add(1) > mostCoded {
		return
	}
	c.once.Do(func() {
		for k, q := range b.Quant {
			c.Steps[k] = uint8(q)
		}
	})
	if b.Y < len(c.Rows) { // else it pads the last unit
		c.Rows[b.Y] = append(c.Rows[b.Y], quantize.LumaBlock{X: int32(b.X), Coefs: *b.Coefs})
	}
}

// all returns what was gathered, nil where it was too much.
func (c *codedLuma) all() *quantize.Luma {
	if n := c.n.Load(); n == 0 || n > mostCoded {
		return nil
	}
	return &c.Luma
}

// profile returns how the colours are to be converted; nil where they are sRGB.
func (h *header) profile() *profile {
	if h.icc == nil && h.p3 {
		return displayP3()
	}
	return parseProfile(h.icc)
}

// correct makes src convert its colours by a profile, if there is one.
func (src *rows) correct(p *profile) {
	if p == nil {
		return
	}
	plain := src.row
	src.ready = false
	src.row = func(y int, dst []uint8, clear []bool) {
		plain(y, dst, clear)
		p.apply(dst)
	}
}

// copyRows converts rows y0 to y1 to where they lie.
func copyRows(pic *paper.Picture, src rows, y0, y1 int) {
	for y := y0; y < y1; y++ {
		var clear []bool
		if pic.Clear != nil {
			clear = pic.Clear[y*src.w : (y+1)*src.w]
		}
		src.row(y, pic.Pix[4*y*src.w:4*(y+1)*src.w], clear)
	}
}

// tileRows converts rows y0 to y1 and fills them into m; buf is room for a row and a span.
func tileRows(m *mosaic.Mosaic, src rows, y0, y1 int, buf []uint8) {
	f := m.Filler()
	defer f.Done()
	at, n := y0*src.w, 0 // the first pixel in buf, and how many bytes there are
	for y := y0; y < y1; y++ {
		src.row(y, buf[n:n+4*src.w], nil)
		n += 4 * src.w
		full := n
		if y+1 < y1 {
			full -= n % (4 * mosaic.Span)
		}
		f.Fill(at, buf[:full])
		at += full / 4
		n = copy(buf, buf[full:n])
	}
}

// turnBand is how many rows turnRows gathers: 16 pixels of 4 bytes fill one line of the processor's cache where a
// quarter turn writes them below one another.
const turnBand = 16

// turnRows converts rows y0 to y1 to their upright places.
func turnRows(pic *paper.Picture, src rows, turn, y0, y1 int) {
	w := src.w
	buf := make([]uint8, 4*w*turnBand)
	var clear []bool
	if pic.Clear != nil {
		clear = make([]bool, w*turnBand)
	}
	base, dx, dy := turned(turn, w, src.h)
	for ; y0 < y1; y0 += turnBand {
		n := min(turnBand, y1-y0)
		for i := range n {
			var c []bool
			if clear != nil {
				c = clear[i*w : (i+1)*w]
			}
			src.row(y0+i, buf[4*i*w:4*(i+1)*w], c)
		}
		for x := range w {
			to := base + x*dx + y0*dy
			for i := range n {
				copy(pic.Pix[4*to:4*to+4], buf[4*(i*w+x):4*(i*w+x)+4])
				if clear != nil {
					pic.Clear[to] = clear[i*w+x]
				}
				to += dy
			}
		}
	}
}

// turned returns where pixel (x, y) of a stored picture of w x h pixels lies in the upright one: at index
// base + x*dx + y*dy. The eight orientations are those of TIFF 6.0 §20 (Orientation) and EXIF 2.32.
func turned(turn, w, h int) (base, dx, dy int) {
	switch turn {
	case 2: // first row at the top, first column at the right
		return w - 1, -1, w
	case 3: // bottom, right
		return w*h - 1, -1, -w
	case 4: // bottom, left
		return (h - 1) * w, 1, -w
	case 5: // first row at the left, first column at the top
		return 0, h, 1
	case 6: // right, top
		return h - 1, h, -1
	case 7: // right, bottom
		return w*h - 1, -h, -1
	case 8: // left, bottom
		return (w - 1) * h, -h, 1
	}
	return 0, 1, w
}

// eachBand calls f for bands of rows that together make up 0 to n, on several goroutines, and waits for all.
func eachBand(n, workers int, f func(y0, y1 int)) {
	if workers <= 1 || n < 2*turnBand {
		f(0, n)
		return
	}
	// Several bands a worker even out their load; whole multiples of turnBand keep turned writes in whole cache lines.
	band := max(n/(4*workers)/turnBand, 1) * turnBand
	starts := make(chan int, n/band+1)
	for y := 0; y < n; y += band {
		starts <- y
	}
	close(starts)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for y := range starts {
				f(y, min(y+band, n))
			}
		})
	}
	wg.Wait()
}

// readRows returns the row reader for a picture as the decoders hand it out.
func readRows(img image.Image, h header) (rows, error) {
	b := img.Bounds()
	src := rows{w: b.Dx(), h: b.Dy()}
	if src.w <= 0 || src.h <= 0 {
		return src, errors.New("it has no pixels")
	}
	packed := func(pix []uint8, stride, size int) bool {
		return stride == size*src.w && len(pix) >= size*src.w*src.h
	}
	switch m := img.(type) {
	case *image.YCbCr:
		src.row = newYCCRows(m, h).row
	case *image.NYCbCrA:
		ycc := newYCCRows(&m.YCbCr, h).row
		src.transparent = true
		src.row = func(y int, dst []uint8, clear []bool) {
			ycc(y, dst, nil)
			layAlpha(dst, m.A[m.AOffset(b.Min.X, b.Min.Y+y):], clear)
		}
	case *image.Gray:
		src.row = func(y int, dst []uint8, _ []bool) {
			grayRow(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):])
		}
	case *image.Gray16:
		src.row = func(y int, dst []uint8, _ []bool) {
			gray16Row(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):])
		}
	case *image.RGBA:
		src.transparent = !m.Opaque()
		if packed(m.Pix, m.Stride, 4) {
			src.own, src.ready = m.Pix, !src.transparent
		}
		src.row = func(y int, dst []uint8, clear []bool) {
			rgbaRow(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):], clear)
		}
	case *image.NRGBA:
		src.transparent = !m.Opaque()
		if packed(m.Pix, m.Stride, 4) {
			src.own, src.ready = m.Pix, !src.transparent
		}
		src.row = func(y int, dst []uint8, clear []bool) {
			nrgbaRow(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):], clear)
		}
	case *image.RGBA64:
		if packed(m.Pix, m.Stride, 8) {
			src.own, src.ordered = m.Pix, true
		}
		src.transparent = !m.Opaque()
		src.row = func(y int, dst []uint8, clear []bool) {
			rgba64Row(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):], clear)
		}
	case *image.NRGBA64:
		if packed(m.Pix, m.Stride, 8) {
			src.own, src.ordered = m.Pix, true
		}
		src.transparent = !m.Opaque()
		src.row = func(y int, dst []uint8, clear []bool) {
			nrgba64Row(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):], clear)
		}
	case *image.CMYK:
		src.row = func(y int, dst []uint8, _ []bool) {
			cmykRow(dst, m.Pix[m.PixOffset(b.Min.X, b.Min.Y+y):])
		}
	case *image.Paletted:
		return palettedRows(m, h)
	default:
		return src, fmt.Errorf("unsupported layout of pixels (%T)", img)
	}
	return src, nil
}

// palettedRows reads a picture with a palette. A frame smaller than the picture (GIF) lies on transparent ground.
func palettedRows(m *image.Paletted, h header) (rows, error) {
	b := m.Bounds()
	src := rows{w: max(b.Max.X, h.w), h: max(b.Max.Y, h.h)}
	least := src.w > b.Dx() || src.h > b.Dy()
	var table [256]struct {
		px    [4]uint8
		clear bool
	}
	for i, c := range m.Palette {
		n := color.NRGBAModel.Convert(c).(color.NRGBA)
		var px [4]uint8
		var clear [1]bool
		nrgbaRow(px[:], []uint8{n.R, n.G, n.B, n.A}, clear[:])
		table[i].px, table[i].clear = px, clear[0]
		src.transparent = src.transparent || n.A < 255
	}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		off := m.PixOffset(b.Min.X, y)
		for _, v := range m.Pix[off : off+b.Dx()] {
			if int(v) >= len(m.Palette) {
				return src, errPaletteIndex
			}
		}
	}
	src.transparent = src.transparent || least
	src.row = func(y int, dst []uint8, clear []bool) {
		if least {
			for i := range dst {
				dst[i] = 255
			}
			for i := range clear {
				clear[i] = true
			}
			if y < b.Min.Y || y >= b.Max.Y {
				return
			}
			dst = dst[4*b.Min.X:]
			clear = clear[b.Min.X:]
		}
		off := m.PixOffset(b.Min.X, y)
		if !least {
			off = m.PixOffset(b.Min.X, b.Min.Y+y)
		}
		for i, v := range m.Pix[off : off+b.Dx()] {
			e := &table[v]
			copy(dst[4*i:4*i+4], e.px[:])
			if clear != nil {
				clear[i] = e.clear
			}
		}
	}
	return src, nil
}

// over lays a straight channel value v of coverage a on white: v·a + 255·(1-a), rounded.
func over(v, a uint32) uint8 {
	n := v*a + 255*(255-a)
	return uint8((n + 127) / 255)
}

// nrgbaRow lays a row of straight alpha on white.
func nrgbaRow(dst, src []uint8, clear []bool) {
	for i := 0; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], src[i:i+4:i+4]
		if s[3] != 255 {
			a := uint32(s[3])
			if clear != nil {
				clear[i/4] = a < clearBelow
			}
			d[0], d[1], d[2], d[3] = over(uint32(s[0]), a), over(uint32(s[1]), a), over(uint32(s[2]), a), 255
			continue
		}
		d[0], d[1], d[2], d[3] = s[0], s[1], s[2], 255
	}
}

// rgbaRow lays a row of premultiplied alpha on white.
func rgbaRow(dst, src []uint8, clear []bool) {
	for i := 0; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], src[i:i+4:i+4]
		rest := 255 - s[3]
		if clear != nil {
			clear[i/4] = s[3] < clearBelow
		}
		// A damaged file may hold a colour above its alpha; the sum then stops at white.
		d[0], d[1], d[2], d[3] = s[0]+min(rest, 255-s[0]), s[1]+min(rest, 255-s[1]), s[2]+min(rest, 255-s[2]), 255
	}
}

// to8 rounds a 16-bit channel to 8 bits: v·255/65535 to the nearest.
func to8(v uint32) uint8 { return uint8((v*255 + 32767) / 65535) }

// nrgba64Row lays a row of straight 16-bit alpha (big-endian) on white.
func nrgba64Row(dst, src []uint8, clear []bool) {
	for i := 0; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], src[2*i:2*i+8:2*i+8]
		r, g, b, a := be16(s), be16(s[2:]), be16(s[4:]), be16(s[6:])
		if a != 0xffff {
			if clear != nil {
				clear[i/4] = to8(a) < clearBelow
			}
			r, g, b = over16(r, a), over16(g, a), over16(b, a)
		}
		d[0], d[1], d[2], d[3] = to8(r), to8(g), to8(b), 255
	}
}

// over16 is over for 16-bit channels.
func over16(v, a uint32) uint32 {
	return uint32((uint64(v)*uint64(a) + 0xffff*uint64(0xffff-a) + 0x7fff) / 0xffff)
}

// rgba64Row lays a row of premultiplied 16-bit alpha (big-endian) on white.
func rgba64Row(dst, src []uint8, clear []bool) {
	for i := 0; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], src[2*i:2*i+8:2*i+8]
		r, g, b, a := be16(s), be16(s[2:]), be16(s[4:]), be16(s[6:])
		if clear != nil {
			clear[i/4] = to8(a) < clearBelow
		}
		rest := 0xffff - a
		d[0], d[1], d[2], d[3] = to8(min(r+rest, 0xffff)), to8(min(g+rest, 0xffff)), to8(min(b+rest, 0xffff)), 255
	}
}

func grayRow(dst, src []uint8) {
	src = src[:len(dst)/4]
	for i, v := range src {
		d := dst[4*i : 4*i+4 : 4*i+4]
		d[0], d[1], d[2], d[3] = v, v, v, 255
	}
}

func gray16Row(dst, src []uint8) {
	src = src[:len(dst)/2]
	for i := 0; i+2 <= len(src); i += 2 {
		v := to8(be16(src[i:]))
		d := dst[2*i : 2*i+4 : 2*i+4]
		d[0], d[1], d[2], d[3] = v, v, v, 255
	}
}

// cmykRow converts inks to light as color.CMYKToRGB does: each channel (1-ink)(1-black).
func cmykRow(dst, src []uint8) {
	for i := 0; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], src[i:i+4:i+4]
		d[0], d[1], d[2] = color.CMYKToRGB(s[0], s[1], s[2], s[3])
		d[3] = 255
	}
}

// layAlpha lays an opaque row on white by a plane of straight alpha.
func layAlpha(dst, alpha []uint8, clear []bool) {
	for i := range len(dst) / 4 {
		a := uint32(alpha[i])
		d := dst[4*i : 4*i+4 : 4*i+4]
		d[0], d[1], d[2] = over(uint32(d[0]), a), over(uint32(d[1]), a), over(uint32(d[2]), a)
		if clear != nil {
			clear[i] = a < clearBelow
		}
	}
}

// yccRows reads a picture of luma and chroma planes.
type yccRows struct {
	m      *image.YCbCr
	luma   lumaScale
	chroma *chromaScale
}

func newYCCRows(m *image.YCbCr, h header) *yccRows {
	r := &yccRows{m, lumaFull, &chromaFull}
	if h.videoRange {
		r.luma, r.chroma = lumaVideo, &chromaVideo
	}
	if kr, kb, ok := matrixShares(h.matrix); ok {
		r.chroma = scaleOf(kr, kb, h.videoRange)
	}
	return r
}

func (r *yccRows) row(y int, dst []uint8, _ []bool) {
	m, b := r.m, r.m.Rect
	yo := m.YOffset(b.Min.X, b.Min.Y+y)
	co := m.COffset(b.Min.X, b.Min.Y+y)
	ys := m.Y[yo : yo+b.Dx()]
	switch m.SubsampleRatio {
	case image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio440:
		yccRow1(dst, ys, m.Cb[co:], m.Cr[co:], r.luma, r.chroma)
	case image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420:
		if b.Min.X%2 == 0 {
			yccRow2(dst, ys, m.Cb[co:], m.Cr[co:], r.luma, r.chroma)
			return
		}
		fallthrough
	default: // 4:1:1, 4:1:0 and windows that start inside a chroma sample
		for x := range ys {
			c := m.COffset(b.Min.X+x, b.Min.Y+y)
			yccRow1(dst[4*x:4*x+4], ys[x:x+1], m.Cb[c:c+1], m.Cr[c:c+1], r.luma, r.chroma)
		}
	}
}

// tileRow fills row y, of whole spans, into the mosaic of f from pixel at on. There must be a chroma sample for each pixel
// across or for two.
func (r *yccRows) tileRow(f *mosaic.Filler, y, at int) {
	m, b := r.m, r.m.Rect
	yo := m.YOffset(b.Min.X, b.Min.Y+y)
	co := m.COffset(b.Min.X, b.Min.Y+y)
	ys, cb, cr := m.Y[yo:yo+b.Dx()], m.Cb[co:], m.Cr[co:]
	two := m.SubsampleRatio == image.YCbCrSubsampleRatio420 || m.SubsampleRatio == image.YCbCrSubsampleRatio422
	var pix [4 * mosaic.Span]uint8
	for x, n := 0, 0; x < len(ys); x += n {
		c := x
		if two {
			c /= 2
		}
		if n = evenRun(ys[x:], cb[c:], cr[c:], two); n > 0 {
			yccRow1(pix[:4], ys[x:x+1], cb[c:], cr[c:], r.luma, r.chroma)
			f.Even(at+x, n, binary.LittleEndian.Uint32(pix[:]))
			continue
		}
		n = mosaic.Span
		if two {
			yccRow2(pix[:], ys[x:x+n], cb[c:], cr[c:], r.luma, r.chroma)
		} else {
			yccRow1(pix[:], ys[x:x+n], cb[c:], cr[c:], r.luma, r.chroma)
		}
		f.Fill(at+x, pix[:])
	}
}

// evenRun returns how many of the first pixels are of one colour, in whole spans; two says that there is a chroma sample for
// two of them.
func evenRun(ys, cb, cr []uint8, two bool) (n int) {
	y, u, v := uint64(ys[0])*everyByte, uint64(cb[0])*everyByte, uint64(cr[0])*everyByte
	for ; n < len(ys); n += mosaic.Span {
		s := ys[n : n+16 : n+16]
		if (binary.LittleEndian.Uint64(s)^y)|(binary.LittleEndian.Uint64(s[8:])^y) != 0 {
			return n
		}
		c := n
		if two {
			c /= 2
		} else if (binary.LittleEndian.Uint64(cb[c+8:])^u)|(binary.LittleEndian.Uint64(cr[c+8:])^v) != 0 {
			return n
		}
		if (binary.LittleEndian.Uint64(cb[c:])^u)|(binary.LittleEndian.Uint64(cr[c:])^v) != 0 {
			return n
		}
	}
	return n
}

// lumaScale turns a stored luma into 16.16 fixed point light: (y - black)·gain + half.
type lumaScale struct{ black, gain, half int32 }

// chromaScale are the shares of a chroma sample in red, green and blue, 16.16 fixed point.
type chromaScale struct{ crR, cbG, crG, cbB int32 }

// The conversion of JFIF (ITU-T T.871 §7) with the factors and the rounding of the standard library's
// color.YCbCrToRGB, and that of ITU-R BT.601 §3 with video range as RFC 6386 §2 asks for VP8: luma 16..235 stretched by
// 255/219, chroma by 255/224.
var (
	lumaFull    = lumaScale{0, 0x10101, 0}
	chromaFull  = chromaScale{91881, -22554, -46802, 116130}
	lumaVideo   = lumaScale{16, 76309, 1 << 15}
	chromaVideo = chromaScale{104597, -25675, -53279, 132201}
)

// matrixShares returns the shares of red and blue in the luma of a matrix of ITU-T H.273 table 4 other than BT.601's;
// ok is false for that and for those not in use.
func matrixShares(matrix int) (kr, kb float64, ok bool) {
	switch matrix {
	case 1: // ITU-R BT.709
		return 0.2126, 0.0722, true
	case 9: // ITU-R BT.2020, non-constant luminance
		return 0.2627, 0.0593, true
	}
	return 0, 0, false
}

// scaleOf returns the shares of chroma samples for given luma shares: red is luma + 2(1-kr)·cr, blue luma + 2(1-kb)·cb,
// and green what makes the luma whole.
func scaleOf(kr, kb float64, videoRange bool) *chromaScale {
	unit := 65536.0
	if videoRange {
		unit *= 255.0 / 224
	}
	kg := 1 - kr - kb
	round := func(v float64) int32 { return int32(math.Round(v * unit)) }
	return &chromaScale{
		crR: round(2 * (1 - kr)), cbB: round(2 * (1 - kb)),
		cbG: round(-2 * kb * (1 - kb) / kg), crG: round(-2 * kr * (1 - kr) / kg),
	}
}

// clamp8 takes 16.16 fixed point light to 0..255.
func clamp8(v int32) uint8 {
	if uint32(v)&0xff000000 == 0 {
		return uint8(v >> 16)
	}
	return uint8(^(v >> 31))
}

// yccRow1 converts a row with one chroma sample a pixel.
func yccRow1(dst, ys, cb, cr []uint8, luma lumaScale, k *chromaScale) {
	cb, cr = cb[:len(ys)], cr[:len(ys)]
	dst = dst[:4*len(ys)]
	for i, yv := range ys {
		u, v := int32(cb[i])-128, int32(cr[i])-128
		l := (int32(yv)-luma.black)*luma.gain + luma.half
		d := dst[4*i : 4*i+4 : 4*i+4]
		d[0] = clamp8(l + k.crR*v)
		d[1] = clamp8(l + k.cbG*u + k.crG*v)
		d[2] = clamp8(l + k.cbB*u)
		d[3] = 255
	}
}

// everyByte times a byte is a word of eight of them.
const everyByte = 0x0101010101010101

// pixel is a pixel of luma l whose chroma adds r, g and b, as it lies in a bitmap.
func pixel(l, r, g, b int32) uint64 {
	return uint64(clamp8(l+r)) | uint64(clamp8(l+g))<<8 | uint64(clamp8(l+b))<<16 | 0xff<<24
}

// yccRow2 converts a row with one chroma sample for two pixels.
func yccRow2(dst, ys, cb, cr []uint8, luma lumaScale, k *chromaScale) {
	n := len(ys) / 2
	cb, cr = cb[:(len(ys)+1)/2], cr[:(len(ys)+1)/2]
	for i := 0; i < n; {
		// Eight pixels at once where all are alike.
		if i+4 <= n {
			y := uint64(ys[2*i]) * everyByte
			u, v := uint32(cb[i])*(everyByte>>32), uint32(cr[i])*(everyByte>>32)
			alike := func(i int) bool {
				return binary.LittleEndian.Uint64(ys[2*i:]) == y && binary.LittleEndian.Uint32(cb[i:]) == u &&
					binary.LittleEndian.Uint32(cr[i:]) == v
			}
			if alike(i) {
				u, v := int32(cb[i])-128, int32(cr[i])-128
				two := pixel((int32(ys[2*i])-luma.black)*luma.gain+luma.half, k.crR*v, k.cbG*u+k.crG*v, k.cbB*u)
				two |= two << 32
				for {
					d := dst[8*i : 8*i+32 : 8*i+32]
					for x := 0; x < 32; x += 8 {
						binary.LittleEndian.PutUint64(d[x:], two)
					}
					if i += 4; i+4 > n || !alike(i) {
						break
					}
				}
				continue
			}
		}
		for to := min(i+4, n); i < to; i++ {
			u, v := int32(cb[i])-128, int32(cr[i])-128
			r, g, b := k.crR*v, k.cbG*u+k.crG*v, k.cbB*u
			y := ys[2*i : 2*i+2 : 2*i+2]
			l, m := (int32(y[0])-luma.black)*luma.gain+luma.half, (int32(y[1])-luma.black)*luma.gain+luma.half
			r0, g0, b0, r1, g1, b1 := uint32(l+r), uint32(l+g), uint32(l+b), uint32(m+r), uint32(m+g), uint32(m+b)
			if (r0|g0|b0|r1|g1|b1)&0xff000000 == 0 { // none to be cut off, as mostly
				one, two := r0>>16|g0>>8&0xff00|b0&0xff0000|0xff<<24, r1>>16|g1>>8&0xff00|b1&0xff0000|0xff<<24
				binary.LittleEndian.PutUint64(dst[8*i:], uint64(one)|uint64(two)<<32)
				continue
			}
			binary.LittleEndian.PutUint64(dst[8*i:], pixel(l, r, g, b)|pixel(m, r, g, b)<<32)
		}
	}
	if len(ys)%2 == 1 {
		yccRow1(dst[8*n:], ys[2*n:], cb[n:n+1], cr[n:n+1], luma, k)
	}
}
