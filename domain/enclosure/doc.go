// Package enclosure knows air spaces (the inside of a glove, a boot, a bag, a case, a room), what
// surfaces give off into them and take up from them, how air is exchanged between them, and which
// levels follow (rule M3): a level comes with its inputs, each measured, published or assumed, and
// with the range that follows from their ranges. Where an input is missing the answer says which, and
// gives no number.
//
// The computation keeps nothing and waits for nothing: any area may use it, and it knows none. Beside
// it stand the enclosures that the museum has described (Enclosure, Service), their tracer measurements
// and the recommendations that came of looking what a change would do.
//
// Units stand in the names: levels in micrograms per cubic metre (UGM3) at the stated temperature and
// pressure, emission in micrograms per square metre and hour, exchange in air changes per day, uptake
// as deposition velocity in centimetres per second, gaps in millimetres. A level in ppb is never given
// without the temperature and pressure that it was converted at.
//
// What is left out, and said in the answers: reactions in the air, flow through cloth or rubber
// itself, wind and handling. Air is taken as well mixed inside each space.
package enclosure
