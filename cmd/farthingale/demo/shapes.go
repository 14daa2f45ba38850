package demo

import "image/color"

// The colours of the materials as drawn.
var (
	twill     = color.RGBA{176, 160, 122, 255}
	rubber    = color.RGBA{52, 50, 50, 255}
	chloro    = color.RGBA{40, 44, 52, 255}
	nylon     = color.RGBA{188, 84, 40, 255}
	coated    = color.RGBA{206, 122, 44, 255}
	canvas    = color.RGBA{150, 142, 112, 255}
	copper    = color.RGBA{170, 98, 62, 255}
	brass     = color.RGBA{186, 154, 84, 255}
	aluminium = color.RGBA{168, 174, 180, 255}
	silver    = color.RGBA{196, 196, 190, 255}
	lead      = color.RGBA{112, 116, 122, 255}
	leather   = color.RGBA{110, 70, 44, 255}
	pvcWhite  = color.RGBA{222, 210, 172, 255}
	glass     = color.RGBA{150, 176, 180, 255}
	cork      = color.RGBA{196, 152, 104, 255}
	latex     = color.RGBA{206, 184, 138, 255}
	bakelite  = color.RGBA{62, 40, 32, 255}
	bloom     = color.RGBA{214, 212, 200, 255}
	crackInk  = color.RGBA{20, 18, 18, 255}
	green     = color.RGBA{88, 142, 118, 255}
	rust      = color.RGBA{140, 80, 40, 255}
	crumbs    = color.RGBA{150, 126, 84, 255}
)

func box(c color.RGBA, x0, y0, x1, y1 float64) part {
	return part{colour: c, points: []point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}}
}

func ellipse(c color.RGBA, x, y, rx, ry float64) part {
	line := disc(point{0, 0}, 1)
	for i, q := range line {
		line[i] = point{x + q.x*rx, y + q.y*ry}
	}
	return part{colour: c, points: line}
}

// garment is a body with two arms and two legs, lying face up; half is drawn and mirrored.
func garment(c color.RGBA, half []point) part {
	line := append([]point{}, half...)
	for i := len(half) - 1; i >= 0; i-- {
		line = append(line, point{-half[i].x, half[i].y})
	}
	return part{colour: c, points: line, round: true}
}

var suitHalf = []point{{60, -560}, {170, -520}, {300, -360}, {430, -160}, {520, -10}, {450, 30}, {330, -120}, {230, -270}, {225, 40}, {235, 330}, {230, 620}, {110, 625}, {60, 330}, {20, 120}}

var (
	// helmetDress is the standard dress with helmet and corselet.
	helmetDress = thing{mmAcross: 2450, shape: []part{
		garment(twill, suitHalf),
		box(rubber, 440, -40, 520, 20), box(rubber, -520, -40, -440, 20),
		ellipse(copper, 0, -500, 210, 90), ellipse(brass, -150, -470, 16, 16), ellipse(brass, 150, -470, 16, 16),
		ellipse(brass, -60, -440, 16, 16), ellipse(brass, 60, -440, 16, 16),
		ellipse(copper, 0, -620, 150, 130), ellipse(brass, 0, -610, 70, 66), ellipse(glass, 0, -610, 52, 50),
		box(leather, 110, 600, 240, 660), box(leather, -240, 600, -110, 660), box(lead, 105, 655, 245, 680), box(lead, -245, 655, -105, 680),
	}, marks: []spot{{point{470, -10}, 38, crackInk, true}, {point{-480, -12}, 30, crackInk, true}, {point{120, -430}, 34, green, false}, {point{60, 300}, 44, bloom, false}}}

	// drySuit is the cold-water constant-volume suit with its rings.
	drySuit = thing{mmAcross: 2000, shape: []part{
		garment(chloro, suitHalf),
		ellipse(aluminium, 0, -545, 120, 40), ellipse(chloro, 0, -548, 96, 28),
		ellipse(aluminium, 480, 8, 50, 34), ellipse(aluminium, -480, 8, 50, 34),
		{colour: nylon, points: []point{{-190, -380}, {190, -380}, {190, -330}, {-190, -330}}},
		box(brass, -200, -352, 200, -344),
	}, marks: []spot{{point{486, 20}, 26, bloom, false}, {point{-486, 20}, 18, bloom, false}, {point{150, 200}, 60, crackInk, true}}}

	// escapeSuit is the immersion suit with one-piece boots.
	escapeSuit = thing{mmAcross: 2300, shape: []part{
		garment(coated, suitHalf), ellipse(coated, 0, -600, 120, 110), ellipse(rubber, 0, -590, 70, 74),
		box(brass, -8, -480, 8, 60), box(rubber, 100, 560, 250, 640), box(rubber, -250, 560, -100, 640),
	}, marks: []spot{{point{0, -200}, 26, green, false}, {point{170, -60}, 80, crumbs, false}, {point{-160, 420}, 50, crumbs, false}}}

	// rebreather is the counter-lung on its harness with the canister.
	rebreather = thing{mmAcross: 760, shape: []part{
		{colour: canvas, points: []point{{-160, -220}, {-110, -240}, {-70, 190}, {-120, 200}}}, {colour: canvas, points: []point{{160, -220}, {110, -240}, {70, 190}, {120, 200}}},
		{colour: rubber, round: true, points: []point{{-130, -90}, {0, -130}, {130, -90}, {140, 60}, {60, 160}, {-60, 160}, {-140, 60}}},
		ellipse(silver, -40, -40, 30, 30), ellipse(silver, 50, -40, 22, 22), box(lead, -70, 150, 70, 215),
		{colour: rubber, round: true, points: []point{{-60, -120}, {-90, -190}, {-20, -235}, {10, -225}, {-50, -180}, {-34, -120}}},
	}, marks: []spot{{point{40, 60}, 52, bloom, false}, {point{-40, -40}, 16, crackInk, false}, {point{-70, 90}, 30, crackInk, true}}}

	lifeVest = thing{mmAcross: 900, shape: []part{
		{colour: pvcWhite, round: true, points: []point{{-90, -230}, {-180, -200}, {-220, 180}, {-40, 200}, {-30, -60}, {30, -60}, {40, 200}, {220, 180}, {180, -200}, {90, -230}}},
		box(canvas, -220, 40, 220, 60), box(canvas, -215, 130, 215, 150),
	}, marks: []spot{{point{-120, 20}, 60, color.RGBA{196, 166, 96, 255}, false}, {point{130, 90}, 44, color.RGBA{196, 166, 96, 255}, false}}}

	weightBelt = thing{mmAcross: 900, shape: []part{
		box(canvas, -400, -26, 400, 26), box(lead, -330, -44, -240, 44), box(lead, -190, -44, -100, 44), box(lead, -50, -44, 40, 44), box(lead, 90, -44, 180, 44), box(lead, 230, -44, 320, 44), box(brass, 380, -34, 420, 34),
	}, marks: []spot{{point{-280, 10}, 26, bloom, false}, {point{130, -8}, 30, bloom, false}}}

	mask = thing{mmAcross: 320, shape: []part{
		{colour: rubber, round: true, points: []point{{-90, -40}, {0, -62}, {90, -40}, {84, 40}, {26, 50}, {0, 30}, {-26, 50}, {-84, 40}}},
		{colour: glass, round: true, points: []point{{-70, -26}, {0, -42}, {70, -26}, {64, 24}, {0, 18}, {-64, 24}}},
	}, marks: []spot{{point{-20, -8}, 16, color.RGBA{190, 160, 60, 255}, false}, {point{56, 30}, 12, crackInk, true}}}

	depthGauge = thing{mmAcross: 220, shape: []part{
		box(leather, -100, -16, 100, 16), ellipse(brass, 0, 0, 44, 44), ellipse(color.RGBA{30, 30, 30, 255}, 0, 0, 36, 36),
		{colour: color.RGBA{196, 206, 130, 255}, points: []point{{-2, 4}, {2, 4}, {16, -26}}}, ellipse(color.RGBA{196, 206, 130, 255}, -24, 6, 3, 3), ellipse(color.RGBA{196, 206, 130, 255}, 24, 6, 3, 3),
	}, marks: []spot{{point{30, 28}, 7, green, false}}}

	gloves = thing{mmAcross: 520, shape: []part{
		{colour: latex, round: true, points: []point{{-190, 150}, {-200, 0}, {-214, -90}, {-196, -96}, {-180, -30}, {-172, -130}, {-154, -130}, {-148, -34}, {-134, -124}, {-116, -120}, {-116, -26}, {-100, -96}, {-84, -90}, {-92, 10}, {-60, 40}, {-72, 60}, {-96, 60}, {-100, 150}}},
		{colour: latex, round: true, points: []point{{190, 150}, {200, 0}, {214, -90}, {196, -96}, {180, -30}, {172, -130}, {154, -130}, {148, -34}, {134, -124}, {116, -120}, {116, -26}, {100, -96}, {84, -90}, {92, 10}, {60, 40}, {72, 60}, {96, 60}, {100, 150}}},
	}, marks: []spot{{point{-146, 110}, 26, crumbs, false}, {point{150, 100}, 34, crumbs, false}, {point{140, 10}, 26, crackInk, true}}}

	knife = thing{mmAcross: 380, shape: []part{
		{colour: aluminium, points: []point{{-20, -14}, {130, -12}, {160, 0}, {130, 14}, {-20, 14}}}, {colour: cork, round: true, points: []point{{-140, -18}, {-80, -22}, {-20, -18}, {-20, 18}, {-80, 22}, {-140, 18}}}, box(brass, -26, -30, -16, 30),
	}, marks: []spot{{point{90, 2}, 14, rust, false}}}

	telephone = thing{mmAcross: 620, shape: []part{
		box(leather, -200, -130, 200, 150), box(bakelite, -180, -110, 180, 20), ellipse(brass, -100, -46, 40, 40), ellipse(rubber, -100, -46, 26, 26), ellipse(brass, 90, -46, 20, 20), box(canvas, -190, 50, 190, 130),
	}, marks: []spot{{point{130, 90}, 34, crumbs, false}, {point{90, -46}, 12, green, false}}}

	helmet = thing{mmAcross: 780, shape: []part{
		ellipse(copper, 0, 120, 230, 70), ellipse(copper, 0, -60, 160, 150), ellipse(brass, 0, -50, 78, 74), ellipse(glass, 0, -50, 60, 56), ellipse(brass, -140, -60, 34, 60), ellipse(brass, 140, -60, 34, 60), box(brass, -30, -230, 30, -200),
	}, marks: []spot{{point{110, 110}, 40, green, false}, {point{-90, 130}, 26, green, false}}}

	// soundingLead lies in its open box.
	soundingLead = thing{mmAcross: 460, shape: []part{
		box(cork, -180, -64, 180, 64), box(canvas, -166, -50, 166, 50), {colour: lead, round: true, points: []point{{-150, -14}, {-60, -20}, {120, -34}, {146, 0}, {120, 34}, {-60, 20}, {-150, 14}}},
	}, marks: []spot{{point{-120, 2}, 14, bloom, false}, {point{90, -10}, 18, bloom, false}}}
)
