package notify

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
)

// A chart is as wide as a phone shows it.
const (
	chartWidth  = 600
	chartHeight = 160
)

// chart draws the recent past of a post: what was seen as a dark band from the
// lowest to the highest value in each slot, from zero at the bottom; what was
// not seen as grey; over range as a bar to the top; the limit as a red line. The
// caption says the scale. It returns nil when nothing was seen at all.
func chart(t acquire.Trace, limit *float64) (picture []byte, caption string) {
	top, seen := 0.0, false
	if limit != nil {
		top = *limit
	}
	for _, s := range t.Slots {
		if s.N > 0 {
			top, seen = max(top, float64(s.Hi)), true
		}
		seen = seen || s.OverRange
	}
	if !seen || top <= 0 || len(t.Slots) == 0 {
		return nil, ""
	}
	top *= 1.1
	img := image.NewPaletted(image.Rect(0, 0, chartWidth, chartHeight), color.Palette{
		color.White, color.Gray{0xd0}, color.RGBA{0x10, 0x40, 0x80, 0xff}, color.RGBA{0xc0, 0, 0, 0xff}, color.Black})
	y := func(si float64) int {
		return min(max(chartHeight-1-int(si/top*float64(chartHeight-1)), 0), chartHeight-1)
	}
	for x := range chartWidth {
		from := x * len(t.Slots) / chartWidth
		to := max((x+1)*len(t.Slots)/chartWidth, from+1)
		column(img, x, t.Slots[from:to], y)
	}
	if limit != nil {
		draw.Draw(img, image.Rect(0, y(*limit), chartWidth, y(*limit)+2), image.NewUniform(img.Palette[3]), image.Point{}, draw.Src)
	}
	draw.Draw(img, image.Rect(0, chartHeight-1, chartWidth, chartHeight), image.NewUniform(img.Palette[4]), image.Point{}, draw.Src)
	var b bytes.Buffer
	if png.Encode(&b, img) != nil {
		return nil, ""
	}
	span := time.Duration(len(t.Slots)) * t.Width
	caption = fmt.Sprintf("The %s up to %s UTC, from 0 to %s. Grey: not seen.", quantity.FormatDuration(span), t.End.UTC().Format(layout), bothUnits(top))
	if limit != nil {
		caption += " Red line: the limit, " + bothUnits(*limit) + "."
	}
	return b.Bytes(), caption
}

// column draws what was seen in some slots.
func column(img *image.Paletted, x int, slots []acquire.Slot, y func(float64) int) {
	any, over := false, false
	var lo, hi float64
	for _, s := range slots {
		over = over || s.OverRange
		if s.N == 0 {
			continue
		}
		if !any {
			lo, hi = float64(s.Lo), float64(s.Hi)
		}
		lo, hi, any = min(lo, float64(s.Lo)), max(hi, float64(s.Hi)), true
	}
	from, to, shade := y(hi)-1, y(lo)+1, uint8(2)
	switch {
	case over:
		from, to = 0, chartHeight
	case !any:
		from, to, shade = 0, chartHeight, 1
	}
	for row := max(from, 0); row < min(to, chartHeight); row++ {
		img.SetColorIndex(x, row, shade)
	}
}
