package demo

import (
	"fmt"
	"math"

	"pochoir/fit"
)

// harbour lists the objects, in the order in which they are written.
var harbour = []func() *sketch{
	lantern, boat, buoy, lighthouse, gull, oilskin, coil, kettle, crabPot, cleat, anchor, crab,
}

func lantern() *sketch {
	s := newSketch("lantern", "glow", "lamp", "flame", "white", "sea", "night")
	s.fill("glow", ellipse(256, 282, 196, 190))
	glass := shape("192,196^ 168,240 164,296 192,352^ 320,352^ 348,296 344,240 320,196^")
	s.fill("lamp", glass)
	s.fill("flame", shape("262,214^ 292,262 300,300 256,342 214,304 226,268 244,250"))
	s.fill("white", shape("258,270^ 274,296 276,316 256,332 238,316 246,294"))
	s.fill("white", shape("190,232^ 180,262 180,292^ 188,296^ 190,264 200,234^"))
	ring := ellipse(256, 78, 42, 40)
	hole := ellipse(256, 82, 27, 26)
	s.fill("night", ring, hole)
	knob := shape("226,126^ 230,112 256,102 282,112 286,126^")
	cap := shape("178,176^ 192,146 226,126^ 286,126^ 320,146 334,176^")
	s.fill("night", knob)
	s.fill("sea", cap)
	s.flat("night", shape("262,127^ 286,126^ 320,146 334,176^ 286,176^ 282,148"))
	rim := shape("164,176^ 348,176^ 358,187 348,199^ 164,199^ 154,187")
	s.fill("night", rim)
	base := shape("186,352^ 326,352^ 346,384 364,404^ 148,404^ 166,384")
	s.fill("sea", base)
	s.flat("night", shape("278,352^ 326,352^ 346,384 364,404^ 304,404^ 286,380"))
	foot := shape("146,404^ 366,404^ 378,420 366,436^ 146,436^ 134,420")
	s.fill("night", foot)
	left, right := open("222,198 206,274 218,352"), open("290,198 306,274 294,352")
	waist := open("167,270 256,282 345,270")
	s.flat("night", band(left, 7)...)
	s.flat("night", band(right, 7)...)
	s.flat("night", band(waist, 7)...)

	s.ink(8, ring)
	s.ink(6, hole)
	s.cover(knob)
	s.ink(7, open("226,126^ 230,112 256,102 282,112 286,126^"))
	s.ink(8, open("178,176^ 192,146 226,126 286,126 320,146 334,176^"))
	s.ink(7, open("192,198^ 168,240 164,296 192,352^"), open("320,198^ 344,240 348,296 320,352^"))
	s.ink(6, shape("262,214^ 292,262 300,300 256,342 214,304 226,268 244,250"))
	s.ink(4, open("258,276^ 274,298 274,314 258,328"))
	s.blunt(5, left, right, waist)
	s.cover(rim)
	s.ink(8, rim)
	s.cover(base)
	s.ink(8, open("186,352^ 166,384 148,404^"), open("326,352^ 346,384 364,404^"))
	s.ink(6, open("186,354 256,350 326,354"))
	s.cover(foot)
	s.ink(8, foot)
	s.ink(5, open("250,140 222,148 206,164"), open("300,142 314,154 320,166"))
	s.ink(4, open("216,372 196,388 184,396"), open("300,370 318,390"))
	for i := range 9 {
		a := math.Pi * (1.02 + 0.12*float64(i))
		if i == 4 {
			continue
		}
		p := func(r float64) fit.Point {
			return fit.Point{X: 256 + r*math.Cos(a), Y: 270 + r*math.Sin(a)}
		}
		s.ink(6, fit.Path{Segments: []fit.Segment{fit.LineTo(p(214), p(214+24+8*float64(i%2)))}})
	}
	return s
}

func boat() *sketch {
	s := newSketch("boat", "foam", "sand", "white", "cloud", "wood", "red", "rust", "lamp", "sea")
	s.fill("foam", ellipse(256, 250, 204, 198))
	main := shape("262,74^ 300,150 330,232 338,320^ 262,330^")
	jib := shape("246,92^ 216,180 176,262 122,316^ 246,326^")
	s.fill("white", main)
	s.fill("cloud", shape("262,232^ 298,232 330,224^ 338,320^ 262,330^"))
	s.fill("sand", jib)
	s.fill("red", shape("262,152^ 284,156 302,152^ 320,196^ 292,202 262,198^"))
	s.fill("wood", shape("246,54^ 260,54^ 263,348^ 245,348^"))
	s.fill("red", shape("259,58^ 290,56 316,70 338,66^ 318,84 288,88 259,84^"))
	// hull
	s.fill("white", shape("86,336^ 170,352 300,356 428,326^ 424,348^ 300,377 168,373 91,356^"))
	s.fill("red", shape("91,350^ 168,367 300,371 424,342^ 404,386 366,440^ 144,440^ 108,386"))
	s.fill("rust", shape("100,370^ 180,386 310,390 414,362^ 400,392 366,440^ 144,440^ 114,396"))
	for i := range 3 {
		s.fill("lamp", ellipse(196+52*float64(i), 390-1.5*float64(i), 11, 11))
	}
	// water
	water := shape("44,424^ 76,404 106,404 140,420 172,432 204,412 236,404 268,412 300,430 336,430 366,408 398,404 432,414 470,428^ 458,452 420,464 256,470 90,464 56,450")
	s.fill("sea", water)
	s.ink(8, open("262,74^ 300,150 330,232 338,320^"), open("246,92^ 216,180 176,262 122,316^"))
	s.ink(7, open("338,322 300,328 262,330"), open("122,318 184,324 246,326"))
	s.blunt(6, open("246,52 246,200 244,346"), open("260,52 261,200 263,350"))
	s.ink(6, open("259,58^ 290,56 316,70 338,66^ 318,84 288,88 259,84^"))
	s.ink(5, open("262,153 284,157 303,152"), open("320,197 292,203 262,199"), open("262,233 298,233 330,225"))
	s.ink(4, open("280,250 284,280 282,312"), open("306,246 312,276 312,306"))
	s.ink(4, open("226,210 208,262 180,298"), open("236,250 228,284 214,312"))
	s.cover(shape("86,336^ 170,352 300,356 428,326^ 404,386 366,440^ 144,440^ 108,386"))
	s.ink(9, open("84,335^ 170,352 300,356 430,325^"))
	s.ink(9, open("86,336^ 108,386 142,424"), open("428,326^ 404,386 370,424"))
	s.ink(6, open("92,351 168,368 300,372 423,343"))
	s.ink(5, open("97,363 180,379 310,383 416,357"))
	for i := range 3 {
		s.ink(5, ellipse(196+52*float64(i), 390-1.5*float64(i), 11, 11))
	}
	s.cover(water)
	s.ink(8, open("36,428 76,404 106,404 140,420 172,432 204,412 236,404 268,412 300,430 336,430 366,408 398,404 432,414 480,430"))
	s.ink(5, open("96,444 128,436 158,448"), open("226,448 262,436 300,450"), open("352,446 386,438 414,448"))
	return s
}

func buoy() *sketch {
	s := newSketch("buoy", "glow", "red", "rust", "white", "cloud", "lamp", "night", "sea")
	s.fill("glow", ellipse(256, 92, 70, 66))
	s.fill("lamp", shape("232,76^ 256,58 280,76^ 282,112^ 230,112^"))
	s.fill("night", shape("226,112^ 286,112^ 290,124^ 222,124^"))
	s.fill("night", shape("228,78^ 240,60 256,54 272,60 284,78^"))
	// tower
	s.fill("night", band(open("234,124 216,190 190,262"), 9)...)
	s.fill("night", band(open("278,124 296,190 322,262"), 9)...)
	s.fill("night", band(open("222,168^ 292,168^"), 7)...)
	s.fill("night", band(open("222,170^ 306,220^"), 6)...)
	s.fill("night", band(open("290,170^ 206,220^"), 6)...)
	// body
	s.fill("red", shape("150,262^ 362,262^ 390,330 384,446^ 128,446^ 122,330"))
	s.fill("rust", shape("300,262^ 362,262^ 390,330 384,446^ 316,446^ 328,340"))
	s.fill("white", shape("126,318^ 200,334 312,334 386,318^ 390,368^ 312,384 200,384 122,368^"))
	s.fill("cloud", shape("326,331^ 386,318^ 390,368^ 324,382^ 328,356"))
	deck := shape("138,246^ 374,246^ 384,257 374,268^ 138,268^ 128,257")
	s.fill("night", deck)
	water := shape("40,428^ 76,404 112,406 150,424 188,434 222,414 256,406 292,416 326,434 364,428 398,406 434,406 472,428^ 452,458 400,470 256,476 112,470 60,456")
	s.fill("sea", water)
	s.ink(6, open("230,112^ 232,76^"), open("282,112^ 280,76^"))
	s.ink(7, open("226,78^ 240,60 256,54 272,60 286,78^"))
	s.blunt(6, open("230,77 256,80 282,77"))
	s.ink(4, open("248,84 247,96 248,106"), open("264,84 265,96 264,106"))
	s.blunt(6, open("224,113^ 288,113^"), open("222,124^ 290,124^"))
	s.blunt(6, open("234,124 216,190 190,246"), open("278,124 296,190 322,246"))
	s.ink(6, open("222,168^ 292,168^"), open("222,170^ 306,222^"), open("290,170^ 206,222^"))
	s.cover(deck)
	s.ink(8, deck)
	s.ink(9, open("142,268^ 122,330 124,412^"), open("370,268^ 390,330 388,412^"))
	s.ink(7, open("126,318^ 200,334 312,334 386,318^"), open("122,368^ 200,384 312,384 390,368^"))
	s.ink(5, open("352,284 362,296 368,310"), open("366,344 368,354 366,364"), open("340,398 352,398 366,394"))
	s.cover(water)
	s.ink(8, open("32,432 76,404 112,406 150,424 188,434 222,414 256,406 292,416 326,434 364,428 398,406 434,406 482,432"))
	s.ink(5, open("96,446 130,438 160,450"), open("224,450 258,440 296,454"), open("352,450 388,440 418,450"))
	for i := range 7 {
		a := math.Pi * (1.05 + 0.15*float64(i))
		p := func(r float64) fit.Point { return fit.Point{X: 256 + r*math.Cos(a), Y: 92 + r*0.9*math.Sin(a)} }
		s.ink(5, fit.Path{Segments: []fit.Segment{fit.LineTo(p(56), p(72+8*float64(i%2)))}})
	}
	return s
}

func lighthouse() *sketch {
	s := newSketch("lighthouse", "shallow", "glow", "white", "cloud", "red", "rust", "lamp", "night", "steel", "sea")
	s.fill("shallow", ellipse(256, 230, 196, 190))
	s.fill("glow", shape("236,112^ 60,64^ 40,118 52,166^ 236,134^"))
	s.fill("glow", shape("276,112^ 452,64^ 472,118 460,166^ 276,134^"))
	tower := shape("216,164^ 296,164^ 324,412^ 188,412^")
	s.fill("white", tower)
	s.fill("cloud", shape("272,164^ 296,164^ 324,412^ 280,412^"))
	for i := range 2 {
		y0 := 206 + 104*float64(i)
		y1 := y0 + 50
		l := func(y float64) float64 { return 216 - 28*(y-164)/248 }
		r := func(y float64) float64 { return 296 + 28*(y-164)/248 }
		m := func(y float64) float64 { return 272 + 8*(y-164)/248 }
		s.fill("red", curve([]knot{{fit.Point{X: l(y0), Y: y0}, true}, {fit.Point{X: 256, Y: y0 + 8}, false}, {fit.Point{X: r(y0), Y: y0}, true},
			{fit.Point{X: r(y1), Y: y1}, true}, {fit.Point{X: 256, Y: y1 + 9}, false}, {fit.Point{X: l(y1), Y: y1}, true}}, true))
		s.fill("rust", curve([]knot{{fit.Point{X: m(y0), Y: y0 + 7}, true}, {fit.Point{X: r(y0), Y: y0}, true},
			{fit.Point{X: r(y1), Y: y1}, true}, {fit.Point{X: m(y1), Y: y1 + 8}, true}}, true))
		s.ink(6, curve([]knot{{fit.Point{X: l(y0), Y: y0}, true}, {fit.Point{X: 256, Y: y0 + 8}, false}, {fit.Point{X: r(y0), Y: y0}, true}}, false),
			curve([]knot{{fit.Point{X: l(y1), Y: y1}, true}, {fit.Point{X: 256, Y: y1 + 9}, false}, {fit.Point{X: r(y1), Y: y1}, true}}, false))
	}
	s.fill("lamp", shape("230,98^ 282,98^ 282,146^ 230,146^"))
	s.fill("night", shape("224,98^ 232,76 256,62 280,76 288,98^"))
	s.fill("night", ellipse(256, 56, 8, 9))
	s.fill("night", shape("204,146^ 308,146^ 312,166^ 200,166^"))
	door := shape("238,412^ 238,380 256,364 274,380 274,412^")
	s.fill("night", door)
	win := shape("246,292^ 246,278 256,270 266,278 266,292^")
	s.fill("night", win)
	rock := shape("96,462^ 120,416 160,402 190,410 230,402 280,410 330,402 372,414 398,428 420,462^ 96,462^")
	s.fill("steel", rock)
	water := shape("44,450^ 84,430 118,432 152,446 190,452 226,438 260,432 298,442 332,452 370,446 404,430 436,432 470,450^ 440,474 380,484 256,488 130,484 72,474")
	s.fill("sea", water)
	s.ink(8, open("216,166^ 188,408^"), open("296,166^ 324,408^"))
	s.ink(7, open("222,98^ 232,76 256,62 280,76 290,98^"))
	s.ink(5, ellipse(256, 56, 8, 9))
	s.blunt(6, open("222,98^ 290,98^"))
	s.ink(6, open("230,98^ 230,146^"), open("282,98^ 282,146^"))
	s.ink(4, open("256,100^ 256,144^"), open("231,122^ 281,122^"))
	s.ink(7, shape("204,146^ 308,146^ 312,166^ 200,166^"))
	s.ink(6, open("238,410^ 238,380 256,364 274,380 274,410^"))
	s.ink(6, win)
	s.cover(rock)
	s.ink(7, open("92,448^ 120,416 160,402 190,410 230,402 280,410 330,402 372,414 398,428 424,450^"))
	s.ink(5, open("150,418 142,428 140,438"), open("352,416 364,424 368,436"), open("204,420 210,428 208,436"))
	s.cover(water)
	s.ink(8, open("34,454 84,430 118,432 152,446 190,452 226,438 260,432 298,442 332,452 370,446 404,430 436,432 480,454"))
	s.ink(5, open("110,462 142,456 170,466"), open("232,466 262,458 296,468"), open("346,464 378,456 406,464"))
	s.ink(5, open("222,106^ 60,64^"), open("222,138^ 52,166^"), open("290,106^ 452,64^"), open("290,138^ 460,166^"))
	return s
}

func gull() *sketch {
	s := newSketch("gull", "shallow", "wood", "sand", "flame", "white", "cloud", "steel", "night", "lamp", "red")
	s.fill("shallow", ellipse(262, 216, 190, 184))
	// post
	s.fill("wood", shape("168,404^ 306,404^ 300,500^ 176,500^"))
	s.fill("sand", ellipse(237, 404, 70, 15))
	s.fill("sand", shape("171,438^ 236,450 303,438^ 302,460^ 236,472 172,460^"))
	// legs
	for _, x := range []float64{218, 256} {
		leg := fit.Path{Segments: []fit.Segment{fit.LineTo(fit.Point{X: x, Y: 322}, fit.Point{X: x - 2, Y: 396})}}
		s.fill("flame", band(leg, 10)...)
		foot := curve([]knot{{fit.Point{X: x - 2, Y: 386}, true}, {fit.Point{X: x + 12, Y: 408}, true}, {fit.Point{X: x - 8, Y: 404}, false}, {fit.Point{X: x - 30, Y: 408}, true}}, true)
		s.fill("flame", foot)
		s.blunt(5, foot)
		s.blunt(5, fit.Path{Segments: []fit.Segment{fit.LineTo(fit.Point{X: x - 6, Y: 326}, fit.Point{X: x - 7, Y: 388})}},
			fit.Path{Segments: []fit.Segment{fit.LineTo(fit.Point{X: x + 5, Y: 326}, fit.Point{X: x + 3, Y: 388})}})
	}
	body := shape("140,142 150,102 184,84 218,102 230,142 262,178 318,206 374,240 426,272^ 384,292 336,312 280,334 226,336 178,312 152,268 148,214 152,178")
	s.fill("white", body)
	s.fill("cloud", shape("152,240^ 186,282 240,298 300,296 360,286 408,280^ 384,292 336,312 280,334 226,336 178,312 158,280"))
	wing := shape("216,202^ 258,196 312,214 366,244 440,306^ 384,300 320,292 262,274 226,240")
	s.fill("steel", wing)
	s.fill("night", shape("360,240^ 396,266 440,306^ 400,302 366,298^ 374,282 352,274 372,262"))
	beak := shape("143,120^ 116,122 92,134 82,152^ 100,146 122,148 142,152^")
	s.fill("lamp", beak)
	s.fill("red", ellipse(102, 140, 6, 5))
	s.fill("night", ellipse(172, 122, 7, 8))
	s.cover(body)
	s.ink(8, open("146,152^ 150,190 148,226 156,276 180,314 228,337 282,334 338,311 428,272"))
	s.ink(8, open("142,120^ 158,94 184,84 218,102 230,142 262,178 318,206 374,240 432,276"))
	s.cover(wing)
	s.ink(7, open("216,200^ 258,196 312,214 366,244 444,310^"), open("442,308^ 384,300 320,292 262,274 226,240 214,206"))
	s.ink(4, open("262,232 312,252 356,262"), open("276,254 318,270 356,278"))
	s.ink(6, open("146,119^ 116,122 92,134 80,154^"), open("82,152^ 100,146 122,148 144,153"), open("96,141 120,136 140,136"))
	s.blunt(9, open("171,118 172,122 172,126"))
	s.ink(4, open("184,150 196,158 210,158"), open("178,190 190,198 204,198"), open("172,228 182,238 196,242"))
	s.ink(7, open("168,406^ 172,460 176,504"), open("306,406^ 303,460 299,504"))
	s.ink(6, ellipse(237, 404, 70, 15))
	s.ink(5, open("171,438 236,450 303,438"), open("172,460 236,472 302,460"))
	s.ink(3, open("192,446 188,454 188,464"), open("212,449 208,458 208,468"), open("234,451 230,460 230,470"), open("256,451 252,460 252,470"), open("278,448 274,457 274,466"))
	return s
}

func oilskin() *sketch {
	s := newSketch("oilskin", "foam", "wood", "lamp", "flame", "night", "steel")
	s.fill("foam", ellipse(256, 266, 206, 200))
	s.fill("wood", shape("96,40^ 416,40^ 416,82^ 96,82^"))
	torso := shape("200,150^ 312,150^ 338,220 350,330 364,452^ 256,464 148,452^ 162,330 174,220")
	s.fill("lamp", torso)
	sleeve := shape("204,148^ 158,166 130,226 100,344^ 148,360^ 166,296 178,240^ 196,196")
	s.fill("lamp", sleeve)
	s.fill("lamp", mirror(sleeve))
	s.fill("flame", shape("99,340^ 150,356^ 144,378^ 92,361^"))
	s.fill("flame", mirror(shape("99,340^ 150,356^ 144,378^ 92,361^")))
	s.fill("flame", shape("304,190^ 332,196^ 346,320 362,452^ 316,460^ 322,360 316,260"))
	hood := shape("192,156^ 184,110 214,78 256,70 298,78 328,110 320,156^ 288,172 256,176 224,172")
	s.fill("lamp", hood)
	s.fill("flame", shape("220,164^ 212,122 230,96 256,90 282,96 300,122 292,164^ 256,175"))
	s.fill("night", shape("230,166^ 224,126 238,108 256,104 274,108 288,126 282,166^ 256,174"))
	pocket := shape("176,352^ 234,352^ 232,404 206,414 178,404^")
	s.fill("flame", shape("174,346^ 236,346^ 235,364^ 175,364^"))
	s.fill("flame", mirror(shape("174,346^ 236,346^ 235,364^ 175,364^")))
	s.fill("steel", shape("248,48^ 264,48^ 264,74^ 248,74^"))
	for i := range 4 {
		y := 208 + 56*float64(i)
		toggle := shape(pt(238, y-7) + "^ " + pt(274, y-7) + "^ " + pt(281, y) + " " + pt(274, y+7) + "^ " + pt(238, y+7) + "^ " + pt(231, y))
		s.fill("night", toggle)
	}
	s.flat("flame", band(open("256,178^ 256,460^"), 6)...)
	s.flat("flame", band(open("200,200 182,250 166,330"), 6)...)
	s.ink(7, open("96,40^ 416,40^"), open("96,82^ 186,82^"), open("326,82^ 416,82^"), open("96,40^ 96,82^"), open("416,40^ 416,82^"))
	s.ink(3, open("116,56 150,60 190,56"), open("330,62 366,58 400,62"), open("130,70 160,72 184,70"))
	s.cover(hood)
	s.ink(8, open("192,156^ 184,110 214,78 256,70 298,78 328,110 320,156^ 288,172 256,176 224,172 190,154"))
	s.ink(6, open("220,166^ 212,122 230,96 256,90 282,96 300,122 292,166^"))
	s.ink(8, open("204,150^ 158,166 130,226 100,344^"), open("148,360^ 166,296 178,240 190,206"))
	s.ink(8, mirror(open("204,150^ 158,166 130,226 100,344^")), mirror(open("148,360^ 166,296 178,240 190,206")))
	cuff := shape("99,340^ 150,356^ 144,378^ 92,361^")
	s.blunt(6, cuff, mirror(cuff))
	s.ink(8, open("176,250^ 162,330 148,454^ 256,465 364,454^ 350,330 336,250^"))
	s.ink(5, open("256,178^ 257,320 256,462^"), open("162,440 256,451 350,440"))
	s.ink(6, pocket, mirror(pocket))
	s.ink(5, open("175,364^ 235,364^"), mirror(open("175,364^ 235,364^")))
	s.ink(4, open("146,206 138,250 128,290"), open("368,204 374,240 380,270"), open("196,250 190,290 184,326"), open("312,214 318,250 320,290"), open("204,100 220,86 240,82"))
	for i := range 4 {
		y := 208 + 56*float64(i)
		s.blunt(13, open(pt(240, y)+"^ "+pt(272, y)+"^"))
		s.ink(4, open(pt(234, y)+" "+pt(224, y-5)+" "+pt(212, y)), open(pt(278, y)+" "+pt(288, y-5)+" "+pt(300, y)))
	}
	s.ink(5, open("248,48^ 264,48^ 264,72^"), open("248,48^ 248,72^"))
	return s
}

// pt writes a point in the notation of parseLine.
func pt(x, y float64) string { return fmt.Sprintf("%g,%g", x, y) }

func coil() *sketch {
	s := newSketch("rope", "sand", "rope", "wood", "red")
	s.fill("sand", ellipse(250, 300, 212, 176))
	tail := open("392,282 440,330 452,388 420,432 362,446 300,448")
	s.fill("rope", band(tail, 34)...)
	s.fill("rope", ellipse(250, 262, 190, 164), ellipse(250, 250, 58, 46))
	s.flat("wood", ellipse(250, 260, 150, 128), ellipse(250, 260, 144, 122))
	s.flat("wood", ellipse(250, 256, 106, 88), ellipse(250, 256, 100, 82))
	s.fill("wood", shape("62,282^ 96,360 170,412 250,424 330,412 404,360 438,282^ 430,330 396,396 330,440 250,452 170,440 104,396 70,330"))
	end := shape("318,428^ 318,468^ 300,468^ 300,428^")
	s.fill("red", end)
	s.fill("wood", shape("300,430^ 286,424 270,434 282,440 262,448 282,454 268,464 286,472 300,466^"))
	s.ink(8, ellipse(250, 262, 190, 164))
	s.ink(7, ellipse(250, 250, 58, 46))
	s.ink(6, ellipse(250, 260, 147, 125), ellipse(250, 256, 103, 85))
	s.ink(7, open("64,290 104,396 170,440 250,452 296,450"), open("330,440 396,396 420,340"))
	s.ink(7, open("410,288 440,326 454,388 424,440 372,463 318,467"), open("428,396 400,420 360,430 318,431"))
	s.ink(6, end)
	s.ink(4, open("300,434 284,436 266,432"), open("300,448 280,450 258,448"), open("300,462 284,462 266,468"))
	for _, ring := range [][3]float64{{168, 145, 18}, {125, 105, 14}, {81, 66, 10}} {
		n := int(ring[2]) * 2
		for i := range n {
			a := 2 * math.Pi * (float64(i) + 0.3) / float64(n)
			at := func(da, dr float64) fit.Point {
				return fit.Point{X: 250 + (ring[0]+dr)*math.Cos(a+da), Y: 259 + (ring[1]+dr)*math.Sin(a+da)}
			}
			w := 2 * math.Pi / float64(n)
			tick := curve([]knot{{at(-0.36*w, 15), false}, {at(-0.08*w, 3), false}, {at(0.08*w, -3), false}, {at(0.36*w, -15), false}}, false)
			s.ink(4, tick)
			s.flat("wood", stroke{line: tick, width: 4}.outline(0)...)
		}
	}
	return s
}

func kettle() *sketch {
	s := newSketch("kettle", "foam", "sea", "night", "wood", "white", "lamp")
	s.fill("foam", shape("60,176^ 34,150 44,120 66,104 70,78 52,52^ 92,62 104,92 88,120 80,146"))
	s.fill("foam", shape("92,176 86,152 104,136 122,116 116,92^ 142,108 142,138 122,156 108,168"))
	spout := shape("128,338^ 88,306 76,256 48,214^ 88,198^ 106,232 120,252 142,262^")
	s.fill("sea", spout)
	s.fill("night", shape("44,216^ 68,200 92,196^ 90,208 70,216 52,224"))
	arch := open("146,226 138,160 174,92 256,64 338,92 374,160 366,226")
	s.fill("night", band(arch, 20)...)
	s.fill("wood", shape("190,74^ 256,44 322,74^ 316,102 304,104^ 256,84 208,104^ 196,102"))
	body := shape("146,222^ 366,222^ 402,282 412,346 392,420^ 120,420^ 100,346 110,282")
	s.fill("sea", body)
	s.fill("night", shape("330,222^ 366,222^ 402,282 412,346 392,420^ 344,420^ 364,350 358,282"))
	lid := shape("168,227^ 186,190 256,172 326,190 344,227^")
	s.fill("sea", lid)
	s.fill("night", shape("300,182^ 326,190 344,225^ 312,225^ 310,198"))
	s.fill("lamp", ellipse(256, 158, 22, 19))
	rim := shape("150,216^ 362,216^ 370,225 362,234^ 150,234^ 142,225")
	s.fill("night", rim)
	foot := shape("118,416^ 394,416^ 402,427 394,438^ 118,438^ 110,427")
	s.fill("night", foot)
	var dots []fit.Path
	for _, c := range [][3]float64{{172, 280, 15}, {238, 296, 15}, {304, 280, 15}, {150, 346, 15}, {206, 356, 15}, {272, 356, 15}, {322, 342, 14}} {
		d := ellipse(c[0], c[1], c[2], c[2])
		s.fill("white", d)
		dots = append(dots, d)
	}
	s.ink(5, open("58,186^ 34,150 44,120 66,104 70,78 50,48"), open("66,186 80,146 88,120 104,92 92,62 84,52"), open("92,180^ 86,152 104,136 122,116 116,88"))
	s.ink(8, open("128,338^ 88,306 76,256 48,216^"), open("88,198^ 106,232 120,252 144,264"))
	s.ink(6, open("44,216^ 68,200 92,196^ 90,208 70,216 44,217"))
	s.ink(7, open("136,222 128,160 166,84 192,74"), open("320,74 346,84 384,160 376,222"), open("156,216 148,164 180,112 204,102"), open("308,102 332,112 364,164 356,216"))
	s.ink(7, shape("190,74^ 256,44 322,74^ 316,102 304,104^ 256,84 208,104^ 196,102"))
	s.ink(3, open("214,80 256,62 298,80"))
	s.ink(8, open("168,216^ 186,190 256,172 326,190 344,216^"))
	s.ink(6, ellipse(256, 158, 22, 19))
	s.cover(body)
	s.ink(9, open("148,234^ 110,282 100,346 118,418^"), open("364,234^ 402,282 412,346 394,418^"))
	for _, d := range dots {
		s.ink(4, d)
	}
	s.cover(rim)
	s.ink(7, rim)
	s.cover(foot)
	s.ink(8, foot)
	s.ink(4, open("380,290 388,320 388,352"), open("366,388 374,374 378,360"), open("204,196 222,186 244,182"))
	return s
}

func crabPot() *sketch {
	s := newSketch("crab-pot", "foam", "sand", "rope", "wood", "night", "red", "white")
	dome := shape("76,392^ 84,290 132,196 256,150 380,196 428,290 436,392^")
	s.fill("foam", ellipse(256, 272, 214, 196))
	s.fill("sand", dome)
	s.fill("night", ellipse(256, 320, 62, 56))
	s.fill("rope", ellipse(256, 320, 72, 66), ellipse(256, 320, 55, 49))
	net := []fit.Path{
		open("140,388 142,300 174,220 236,156"), open("372,388 370,300 338,220 276,156"),
		open("196,388 196,370 204,362"), open("316,388 316,370 308,362"),
		open("200,286 196,230 214,190 246,156"), open("312,286 316,230 298,190 266,156"),
		open("82,340 130,350 186,340"), open("430,340 382,350 326,340"),
		open("90,286 136,300 190,296"), open("422,286 376,300 322,296"),
		open("112,232 160,252 206,258"), open("400,232 352,252 306,258"),
		open("206,256 256,246 306,256"), open("158,186 208,204 256,202 304,204 354,186"),
	}
	for _, n := range net {
		s.flat("rope", band(n, 6)...)
	}
	s.fill("wood", stroke{line: open("76,396 84,290 132,196 256,150 380,196 428,290 436,396"), width: 22, blunt: true, even: true}.outline(0)...)
	for i, y := range []float64{384, 414} {
		d := 8 * float64(i)
		s.fill("wood", shape(pt(52-d, y)+"^ "+pt(460+d, y)+"^ "+pt(462+d, y+22)+"^ "+pt(50-d, y+22)+"^"))
		s.ink(7, shape(pt(52-d, y)+"^ "+pt(460+d, y)+"^ "+pt(462+d, y+22)+"^ "+pt(50-d, y+22)+"^"))
		for j := range 4 {
			x := 96 + 88*float64(j) + 20*float64(i)
			s.ink(3, open(pt(x, y+9)+" "+pt(x+24, y+13)+" "+pt(x+50, y+9)))
		}
	}
	// the line to the float
	s.fill("rope", band(open("256,150 262,108 312,84 356,92"), 10)...)
	float := shape("354,92 366,52 404,36 442,50 456,88 440,124 402,136 366,122")
	s.fill("red", float)
	s.fill("white", shape("386,40^ 404,36 424,40^ 436,86 420,132^ 402,136 384,131^ 398,86"))
	s.ink(7, open("88,376^ 94,292 140,204 256,162 372,204 418,292 424,376^"))
	s.ink(8, open("64,378^ 72,286 124,186 256,138 388,186 440,286 448,378^"))
	s.ink(7, ellipse(256, 320, 72, 66))
	s.ink(6, ellipse(256, 320, 55, 49))
	s.ink(4, open("222,304 240,288 262,284"), open("226,344 244,356 264,358"), open("286,300 294,316 292,334"))
	s.ink(4, net...)
	for i := range 10 {
		a := 2 * math.Pi * float64(i) / 10
		p := func(r float64) fit.Point { return fit.Point{X: 256 + r*1.08*math.Cos(a), Y: 320 + r*math.Sin(a)} }
		s.ink(4, fit.Path{Segments: []fit.Segment{fit.LineTo(p(52), p(65))}})
	}
	s.ink(5, open("250,142 256,104 310,78 350,86"), open("262,142 270,112 316,90 354,98"))
	s.ink(8, float)
	s.ink(6, open("386,40 398,86 384,131"), open("424,40 436,86 420,132"))
	s.ink(4, open("368,72 376,62 382,58"))
	return s
}

func cleat() *sketch {
	s := newSketch("cleat", "foam", "wood", "steel", "night", "rope", "sand")
	s.fill("foam", ellipse(256, 226, 204, 172))
	upper, lower := shape("28,388^ 484,388^ 484,432^ 28,432^"), shape("44,442^ 470,442^ 470,478^ 44,478^")
	s.fill("wood", upper)
	s.fill("wood", lower)
	body := shape("52,190 76,162 136,168 206,192 256,198 306,192 376,168 436,162 460,190 434,216 372,224 322,236 310,264^ 318,338 350,358^ 372,366 372,394^ 140,394^ 140,366 162,358^ 194,338 202,264^ 190,236 140,224 78,216")
	s.fill("steel", body)
	s.fill("night", shape("70,202^ 140,208 200,222 256,226 312,222 372,208 442,202^ 434,216 372,224 322,236 310,264^ 318,338 350,358^ 372,366 372,394^ 292,394^ 292,300 284,252 256,244 190,236 140,224 78,216"))
	s.ink(6, upper)
	s.ink(6, lower)
	s.ink(3, open("50,404 90,408 140,402"), open("210,414 250,418 300,412"), open("70,420 100,422 130,420"), open("90,458 150,462 210,456"), open("270,466 320,468 380,462"))
	s.cover(body)
	s.ink(8, body)
	s.ink(5, open("78,178 104,174 128,180"), open("392,182 412,176 434,180"))
	// The line made fast: once round the foot, crosswise over the horns, then away.
	for _, r := range []struct {
		line, colour string
		wide         float64
	}{
		{"188,322 256,336 330,328 404,342 446,376 450,424 424,458", "rope", 30},
		{"192,296 256,306 320,296", "sand", 28},
		{"166,164 226,206 290,232 356,240", "rope", 30},
		{"346,164 286,206 222,232 156,240", "sand", 30},
	} {
		line := open(r.line)
		edge := band(line, r.wide)
		s.fill(r.colour, edge...)
		s.cover(edge...)
		s.ink(6, edge...)
		s.twist(line, r.wide, 24)
	}
	return s
}

// twist marks the strands of a rope along its middle.
func (s *sketch) twist(line fit.Path, width, every float64) {
	for _, p := range divideEvery(line, every) {
		n := p.Deriv(0.5).Unit()
		m, side := p.At(0.5), n.Perp().Mul(width/2-3)
		tick := curve([]knot{{m.Sub(side).Add(n.Mul(6)), false}, {m.Sub(side.Mul(0.2)), false}, {m.Add(side).Sub(n.Mul(6)), false}}, false)
		s.ink(4, tick)
		s.flat("wood", stroke{line: tick, width: 4}.outline(0)...)
	}
}

// divideEvery cuts a line into pieces of about that length.
func divideEvery(line fit.Path, length float64) []fit.Segment {
	var out []fit.Segment
	for _, s := range line.Segments {
		n := int(max(math.Round(s.Length()/length), 1))
		for i := range n {
			out = append(out, s.Sub(float64(i)/float64(n), float64(i+1)/float64(n)))
		}
	}
	return out
}

func anchor() *sketch {
	s := newSketch("anchor", "shallow", "sand", "night", "steel", "wood", "rope")
	s.fill("shallow", ellipse(256, 264, 206, 204))
	ring, hole := ellipse(256, 84, 38, 38), ellipse(256, 84, 21, 21)
	stock := shape("136,146^ 376,146^ 388,159 376,172^ 136,172^ 124,159")
	shank := shape("238,112^ 274,112^ 280,424^ 232,424^")
	arms := shape("100,318^ 124,366 178,402 256,410 334,402 388,366 412,318^ 430,326^ 408,398 342,448 280,458 256,486^ 232,458 170,448 104,398 82,326^")
	fluke := shape("56,350^ 84,256^ 146,326^ 118,322 84,334")
	// The line runs round the shank: behind it in the darker tone, before it in the lighter.
	var behind, before []fit.Path
	behind = append(behind, open("286,92 338,118 346,166 308,200 250,214"))
	for i := range 3 {
		y := 236 + 56*float64(i)
		before = append(before, open(pt(214, y+8)+" "+pt(246, y+16)+" "+pt(286, y-2)+" "+pt(304, y-18)))
		behind = append(behind, open(pt(214, y+8)+" "+pt(202, y+20)+" "+pt(220, y+32)+" "+pt(256, y+34)))
		if i < 2 {
			behind = append(behind, open(pt(304, y+38)+" "+pt(312, y+26)+" "+pt(296, y+24)+" "+pt(256, y+36)))
		}
	}
	for _, b := range behind {
		s.fill("sand", band(b, 22)...)
		s.ink(5, band(b, 22)...)
	}
	s.fill("night", ring, hole)
	s.fill("night", shank)
	s.fill("night", arms)
	s.fill("night", fluke)
	s.fill("night", mirror(fluke))
	s.fill("steel", shape("244,120^ 252,120^ 252,416^ 240,416^"))
	s.fill("steel", shape("92,340^ 130,392 186,424 256,432 326,424^ 256,444 180,436 116,396"))
	s.fill("wood", stock)
	s.cover(shank)
	s.ink(8, open("238,112^ 235,270 232,424^"), open("274,112^ 277,270 280,424^"))
	s.cover(ring)
	s.ink(8, ring)
	s.ink(6, hole)
	s.cover(stock)
	s.ink(7, stock)
	s.ink(3, open("148,158 180,162 214,156"), open("300,160 332,156 362,160"))
	s.cover(arms)
	s.ink(8, open("100,318^ 124,366 178,402 236,410"), open("276,410 334,402 388,366 412,318^"), open("430,326^ 408,398 342,448 280,458 256,490^"), open("82,326^ 104,398 170,448 232,458 256,490^"))
	for _, f := range []fit.Path{fluke, mirror(fluke)} {
		s.cover(f)
		s.ink(8, f)
	}
	for _, f := range before {
		edge := band(f, 24)
		s.fill("rope", edge...)
		s.cover(edge...)
		s.ink(5, edge...)
		s.twist(f, 24, 22)
	}
	return s
}

func crab() *sketch {
	s := newSketch("crab", "shallow", "sand", "rust", "red", "flame", "white", "night")
	s.fill("shallow", ellipse(256, 240, 208, 186))
	s.fill("sand", ellipse(256, 426, 206, 40))
	both := func(p fit.Path) []fit.Path { return []fit.Path{p, mirror(p)} }
	for _, l := range []fit.Path{
		open("160,300 104,286 70,318 58,372"), open("164,322 116,328 92,362 88,410"), open("180,338 146,364 138,398 142,432"),
	} {
		for _, m := range both(l) {
			leg := band(m, 24)
			s.fill("rust", leg...)
			s.cover(leg...)
			s.ink(6, leg...)
		}
	}
	claw := shape("98,196^ 54,176 40,126 62,80 106,62^ 92,100 100,116^ 128,106 140,74^ 160,110 152,158 124,188^")
	for _, m := range both(open("170,262 120,254 92,220 96,176")) {
		arm := band(m, 30)
		s.fill("rust", arm...)
		s.cover(arm...)
		s.ink(7, arm...)
	}
	for _, m := range both(claw) {
		s.fill("red", m)
		s.cover(m)
		s.ink(8, m)
	}
	for _, l := range []string{"58,130 60,108 72,92", "118,166 132,160 142,146"} {
		s.ink(4, both(open(l))...)
	}
	for _, x := range []float64{216, 296} {
		stalk := band(open(pt(x, 196)+" "+pt(x-2, 172)+" "+pt(x, 150)), 17)
		s.fill("red", stalk...)
		s.ink(5, stalk...)
		eye := ellipse(x, 136, 27, 27)
		s.fill("white", eye)
		s.fill("night", ellipse(x+5, 140, 12, 13))
		s.cover(eye)
		s.ink(6, eye)
		s.blunt(19, open(pt(x+5, 137)+" "+pt(x+5, 140)+" "+pt(x+5, 143)))
	}
	shell := shape("124,276 150,212 202,186 256,180 310,186 362,212 388,276 352,340 256,366 160,340")
	s.fill("red", shell)
	s.fill("flame", shape("150,290^ 196,316 256,322 316,316 362,290^ 340,334 256,358 172,334"))
	s.cover(shell)
	s.ink(9, shell)
	for _, c := range [][4]float64{{186, 236, 16, 12}, {326, 236, 16, 12}, {256, 216, 14, 9}, {222, 262, 8, 6}, {292, 262, 8, 6}} {
		s.fill("flame", ellipse(c[0], c[1], c[2], c[3]))
		s.ink(4, ellipse(c[0], c[1], c[2], c[3]))
	}
	s.ink(6, open("196,294 224,312 256,316 288,312 316,294"))
	s.ink(4, open("152,262 158,244 168,232"), open("356,300 346,316 334,324"))
	return s
}
