package enclosure

import (
	"fmt"
	"math"

	"farthingale/domain"
)

// Gas is the stable word of a gas: "hcl", "acetic-acid".
type Gas string

// The gases that are known here.
const (
	HydrogenChloride Gas = "hcl"
	AceticAcid       Gas = "acetic-acid"
	FormicAcid       Gas = "formic-acid"
	Formaldehyde     Gas = "formaldehyde"
	HydrogenSulfide  Gas = "h2s"
	CarbonylSulfide  Gas = "ocs"
	CarbonDisulfide  Gas = "carbon-disulfide"
	SulfurDioxide    Gas = "so2"
	NitrogenDioxide  Gas = "no2"
	NitrogenMonoxide Gas = "no"
	NitricAcid       Gas = "nitric-acid"
	Ozone            Gas = "ozone"
	Ammonia          Gas = "ammonia"
	CarbonDioxide    Gas = "co2"
	Methane          Gas = "methane"
	Oxygen           Gas = "oxygen"
	WaterVapour      Gas = "water"
	MercuryVapour    Gas = "mercury-vapour"
)

// Method is where a diffusion coefficient comes from.
type Method string

// Massman is a reviewed table of measurements; Fuller is an estimate from the make-up of the molecule,
// good to 30 %; None means that no coefficient is known here.
const (
	Massman Method = "massman"
	Fuller  Method = "fuller"
	None    Method = "none"
)

// Substance is what is known of a gas.
type Substance struct {
	Gas     Gas
	Name    string  // what people read
	Formula string  // plain letters and digits
	Molar   float64 // g/mol
	Method  Method
	number  float64  // Massman: cm²/s at 0 °C and 101 325 Pa; Fuller: diffusion volume
	spread  Quantity // factor on the coefficient, with its range
}

const (
	massmanSource = "Massman 1998, A review of the molecular diffusivities of H2O, CO2, CH4, CO, O3, SO2, NH3, N2O, NO, and NO2 in air, O2 and N2 near STP"
	seibtSource   = "Seibt et al. 2010, A kinetic analysis of leaf uptake of COS and its relation to transpiration, photosynthesis and carbon isotope fractionation: the coefficient of CO2 divided by 1.21"
	fullerSource  = "Fuller, Schettler & Giddings 1966, A new method for prediction of binary gas-phase diffusion coefficients; good to 30 % (Tang et al. 2014)"
)

var (
	bySeibt   = Quantity{Value: 1, Basis: Published, Source: seibtSource}
	byMassman = Quantity{Value: 1, Basis: Published, Source: massmanSource}
	byFuller  = Quantity{Value: 1, Least: 0.7, Greatest: 1.3, Basis: Published, Source: fullerSource}
)

// Substances lists every gas known here. Never change it.
//
// source: Massman 1998, table of coefficients at 0 °C; Fuller, Schettler & Giddings 1966, atomic
// volumes C 15.9, H 2.31, O 6.11, N 4.54, S 22.9, Cl 21.0 as in Taylor & Krishna 1993, Multicomponent
// Mass Transfer, table 4.1.
var Substances = []Substance{
	{HydrogenChloride, "hydrogen chloride", "HCl", 36.461, Fuller, 23.31, byFuller},
	{AceticAcid, "acetic acid", "C2H4O2", 60.052, Fuller, 53.26, byFuller},
	{FormicAcid, "formic acid", "CH2O2", 46.025, Fuller, 32.74, byFuller},
	{Formaldehyde, "formaldehyde", "CH2O", 30.026, Fuller, 26.63, byFuller},
	{HydrogenSulfide, "hydrogen sulfide", "H2S", 34.081, Fuller, 27.52, byFuller},
	{CarbonylSulfide, "carbonyl sulfide", "OCS", 60.075, Massman, 0.1381 / 1.21, bySeibt},
	{CarbonDisulfide, "carbon disulfide", "CS2", 76.141, None, 0, Quantity{}},
	{SulfurDioxide, "sulfur dioxide", "SO2", 64.064, Massman, 0.1089, byMassman},
	{NitrogenDioxide, "nitrogen dioxide", "NO2", 46.006, Massman, 0.1361, byMassman},
	{NitrogenMonoxide, "nitrogen monoxide", "NO", 30.006, Massman, 0.1802, byMassman},
	{NitricAcid, "nitric acid", "HNO3", 63.013, Fuller, 25.18, byFuller},
	{Ozone, "ozone", "O3", 47.998, Massman, 0.1444, byMassman},
	{Ammonia, "ammonia", "NH3", 17.031, Massman, 0.1978, byMassman},
	{CarbonDioxide, "carbon dioxide", "CO2", 44.010, Massman, 0.1381, byMassman},
	{Methane, "methane", "CH4", 16.043, Massman, 0.1952, byMassman},
	{Oxygen, "oxygen", "O2", 31.998, Massman, 0.1820, byMassman},
	{WaterVapour, "water vapour", "H2O", 18.015, Massman, 0.2178, byMassman},
	{MercuryVapour, "mercury vapour", "Hg", 200.59, None, 0, Quantity{}},
}

// Substance is what is known of the gas; false when it is not known here.
func (g Gas) Substance() (*Substance, bool) {
	for i := range Substances {
		if Substances[i].Gas == g {
			return &Substances[i], true
		}
	}
	return nil, false
}

// String is the name that people read, or the word itself when the gas is not known.
func (g Gas) String() string {
	if s, ok := g.Substance(); ok {
		return s.Name
	}
	return string(g)
}

func unknownGas(pointer string, g Gas) error {
	return domain.Invalid(pointer, "gas", fmt.Sprintf("No gas %q is known here.", string(g)))
}

const (
	gasConstant  = 8.314462618 // J/(mol·K)
	kelvin       = 273.15      // K at 0 °C
	standardPa   = 101325.0
	molarAir     = 28.96 // g/mol
	volumeAir    = 19.7  // Fuller's diffusion volume of air
	gravity      = 9.80665
	gasOfDryAir  = 287.05 // J/(kg·K)
	hoursPerDay  = 24.0
	secondsAnHr  = 3600.0
	secondsADay  = 86400.0
	pascalPerHPa = 100.0
)

// StandardHPa is the pressure that is taken when none is given, and said so.
const StandardHPa = 1013.25

// Diffusion is the diffusion coefficient of the gas in air, m²/s, and how it is known. The error says
// when none is.
//
// source: Massman 1998, D = D0·(T/273.15)^1.81·(101325/P); Fuller, Schettler & Giddings 1966,
// D = 0.00143·T^1.75/(P·√M·(v^⅓ + 19.7^⅓)²) in cm²/s with P in bar and M = 2/(1/M_gas + 1/28.96).
func (g Gas) Diffusion(tempC, pressureHPa float64) (float64, Quantity, error) {
	s, ok := g.Substance()
	if !ok {
		return 0, Quantity{}, unknownGas("/gas", g)
	}
	if s.Method == None {
		return 0, Quantity{}, domain.Invalid("/gas", "diffusion",
			fmt.Sprintf("No diffusion coefficient of %s is known here, so its way through a gap cannot be computed. Give a measured rate.", s.Name))
	}
	if err := checkAir(tempC, pressureHPa); err != nil {
		return 0, Quantity{}, err
	}
	d := s.diffusion(tempC+kelvin, pressureHPa*pascalPerHPa)
	known := s.spread
	known.Value *= d
	known.Least *= d
	known.Greatest *= d
	return d, known, nil
}

// diffusion is m²/s at kelvin and pascal.
func (s *Substance) diffusion(tempK, pa float64) float64 {
	if s.Method == Massman {
		return s.number * 1e-4 * math.Pow(tempK/kelvin, 1.81) * standardPa / pa
	}
	molar := 2 / (1/s.Molar + 1/molarAir)
	across := math.Cbrt(s.number) + math.Cbrt(volumeAir)
	return 0.00143 * math.Pow(tempK, 1.75) / (pa / 1e5 * math.Sqrt(molar) * across * across) * 1e-4
}

// airViscosity is Pa·s. source: Sutherland's law with 1.716e-5 Pa·s at 273.15 K and 110.4 K (from
// memory).
func airViscosity(tempK float64) float64 {
	return 1.716e-5 * math.Pow(tempK/kelvin, 1.5) * (kelvin + 110.4) / (tempK + 110.4)
}

// airDensity is kg/m³ of dry air.
func airDensity(tempK, pa float64) float64 { return pa / (gasOfDryAir * tempK) }

func checkAir(tempC, pressureHPa float64) error {
	var faults []domain.Field
	Assumed.Of(tempC, "").check("", "/temp_c", boundsTempC, &faults)
	Assumed.Of(pressureHPa, "").check("", "/pressure_hpa", boundsPressure, &faults)
	return domain.InvalidFields(faults)
}

// Mixing is a level as a share of the air. It means nothing without the temperature and pressure that
// it was converted at, because published tables differ in them.
type Mixing struct {
	PPB         Figure  `json:"ppb"`
	TempC       float64 `json:"temp_c"`
	PressureHPa float64 `json:"pressure_hpa"`
}

// String is "40.1 ppb (at 20 °C, 1013 hPa)".
func (m Mixing) String() string {
	return fmt.Sprintf("%s ppb %s", m.PPB, reference(m.TempC, m.PressureHPa))
}

func reference(tempC, pressureHPa float64) string {
	return fmt.Sprintf("(at %s °C, %.0f hPa)", Number(tempC), pressureHPa)
}

// Mass is a level as mass in a volume, with the temperature and pressure of that volume.
type Mass struct {
	UGM3        Figure  `json:"ug_m3"`
	TempC       float64 `json:"temp_c"`
	PressureHPa float64 `json:"pressure_hpa"`
}

// String is "100 µg/m³ (at 20 °C, 1013 hPa)".
func (m Mass) String() string {
	return fmt.Sprintf("%s µg/m³ %s", m.UGM3, reference(m.TempC, m.PressureHPa))
}

// ToPPB converts micrograms per cubic metre of the gas.
func ToPPB(g Gas, ugm3 Figure, tempC, pressureHPa float64) (Mixing, error) {
	one, err := ugm3PerPPB(g, tempC, pressureHPa)
	if err != nil {
		return Mixing{}, err
	}
	return Mixing{ugm3.Times(1 / one), tempC, pressureHPa}, nil
}

// ToUGM3 converts parts per billion of the gas.
func ToUGM3(g Gas, ppb Figure, tempC, pressureHPa float64) (Mass, error) {
	one, err := ugm3PerPPB(g, tempC, pressureHPa)
	if err != nil {
		return Mass{}, err
	}
	return Mass{ppb.Times(one), tempC, pressureHPa}, nil
}

// ugm3PerPPB is what one ppb weighs: M·P/(R·T) by the law of ideal gases.
func ugm3PerPPB(g Gas, tempC, pressureHPa float64) (float64, error) {
	s, ok := g.Substance()
	if !ok {
		return 0, unknownGas("/gas", g)
	}
	if err := checkAir(tempC, pressureHPa); err != nil {
		return 0, err
	}
	return s.Molar * pressureHPa * pascalPerHPa / (gasConstant * (tempC + kelvin)) * 1e-3, nil
}
