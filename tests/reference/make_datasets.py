"""Put the measured open datasets into the small files that the tests read: values as published, columns left out.

    python -m tests.reference.make_datasets FOLDER

FOLDER holds them as `tests/reference/datasets/README.md` says where they came from. Nothing is resampled or filtered.
"""

import sys
from pathlib import Path

import polars as pl

HERE = Path(__file__).parent / "datasets"
HEAT_PUMP = ("Atlanta_Eff_Default", "Tucson_Eff_ExtrmWin")
CHAMBERS = ("Aluminium", "Prusa", "Ultimaker_020")
WELLS = {
    "type2_WELL-00009_20170313160804": ("P_PDG_Pa", "P_TPT_Pa", "T_TPT_degC"),
    "type2_WELL-00012_20170320143144": ("P_PDG_Pa", "P_TPT_Pa", "T_TPT_degC"),
    "type6_WELL-00004_20171031193025": ("P_PDG_Pa", "P_MON_CKP_Pa"),
}


def main() -> None:
    """Write the files."""
    source = Path(sys.argv[1])
    for name in HEAT_PUMP:
        table = pl.read_csv(source / "01_nist_heat_pump" / f"{name}_signals.csv")
        _write(table.select("time_s", "sa_temp_degF", "zn_temp_degF"), f"heat_pump_{name}")
    for name in CHAMBERS:
        table = pl.read_csv(source / "03_air_chamber_pressure_decay" / f"{name}.csv")
        _write(table.select("time_s", "pressure_bar_gauge"), f"air_chamber_{name}")
    for name, columns in WELLS.items():
        signals = pl.read_csv(source / "04_oil_well_3w" / f"{name}_signals.csv")
        labels = pl.read_csv(source / "04_oil_well_3w" / f"{name}_truth.csv")
        _write(signals.select("time_s", *columns).join(labels, on="time_s"), f"well_{name}")
    _write(pl.read_parquet(source / "05_settling" / "hydraulic_cycles_672_931_signals.parquet"), "hydraulic_rig")
    _write(pl.read_csv(source / "05_settling" / "tclab_siso_step.csv"), "heater")
    machine = source / "06_machine_temperature" / "machine_temperature_rows_0_10999_signals.csv"
    _write(pl.read_csv(machine, try_parse_dates=True), "machine_temperature")


def _write(table: pl.DataFrame, name: str) -> None:
    table.write_parquet(HERE / f"{name}.parquet", compression="zstd", compression_level=19, statistics=False)


if __name__ == "__main__":
    main()
